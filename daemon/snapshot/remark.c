// SPDX-License-Identifier: Apache-2.0
/*
 * remark.c - NNNN.note, written beside the older one, synced, then put in its place.
 */
#include "remark.h"

#include "snapshot_folder.h"
#include "text_file.h"

#include <errno.h>
#include <jansson.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static int take_fields(json_t *root, struct remark *remark) {
    int reviewed = 0;
    int hold = 0;
    int good = 0;
    const char *text = "";
    if (json_unpack(root, "{s?b, s?b, s?b, s?s}", "reviewed", &reviewed, "hold", &hold, "good",
                    &good, "text", &text) < 0)
        return -EBADMSG;
    *remark = (struct remark){.reviewed = reviewed != 0, .hold = hold != 0, .good = good != 0};
    snprintf(remark->text, sizeof remark->text, "%s", text);
    return 0;
}

int remark_read(const char *folder, unsigned number, struct remark *remark) {
    char *path = snapshot_folder_path(folder, number, SNAPSHOT_REMARK);
    if (!path)
        return -ENOMEM;
    FILE *file = fopen(path, "re");
    int result = file ? 0 : -errno;
    free(path);
    if (!file && result != -ENOENT)
        return result;
    if (!file) {
        *remark = (struct remark){0};
        return 0;
    }
    json_t *root = json_loadf(file, 0, NULL);
    result = json_is_object(root) ? take_fields(root, remark) : -EBADMSG;
    json_decref(root);
    fclose(file);
    return result;
}

static bool is_there(const char *folder, unsigned number) {
    char *path = snapshot_folder_path(folder, number, SNAPSHOT_SUFFIX);
    bool there = path && access(path, F_OK) == 0;
    free(path);
    return there;
}

static char *text_of(const struct remark *remark) {
    json_t *root = json_pack("{s:b, s:b, s:b, s:s}", "reviewed", (int)remark->reviewed, "hold",
                             (int)remark->hold, "good", (int)remark->good, "text", remark->text);
    char *text = json_dumps(root, 0);
    json_decref(root);
    return text;
}

static int replace(const char *folder, unsigned number, const struct remark *remark) {
    char *text = text_of(remark);
    char *path = snapshot_folder_path(folder, number, SNAPSHOT_REMARK);
    int result = -ENOMEM;
    if (text && path)
        result = text_file_replace(folder, strrchr(path, '/') + 1, text);
    if (result == 0 && !is_there(folder, number)) { /* it has just made room */
        unlink(path);
        result = snapshot_folder_sync(folder);
        result = result ? result : -ENOENT;
    }
    free(path);
    free(text);
    return result;
}

static void change_one(bool *what, int change) {
    if (change >= 0)
        *what = change > 0;
}

static int change_text(struct remark *remark, const char *text) {
    json_t *tried = text ? json_string(text) : NULL; /* only UTF-8 has a place in JSON */
    if (!text)
        return 0;
    if (!tried)
        return -EILSEQ;
    json_decref(tried);
    if (strlen(text) >= sizeof remark->text)
        return -E2BIG;
    snprintf(remark->text, sizeof remark->text, "%s", text);
    return 0;
}

int remark_change(const char *folder, unsigned number, const struct remark_change *change) {
    struct remark remark = {0};
    if (!is_there(folder, number))
        return -ENOENT;
    int result = remark_read(folder, number, &remark);
    if (!result)
        result = change_text(&remark, change->text);
    if (result)
        return result;
    change_one(&remark.reviewed, change->reviewed);
    change_one(&remark.hold, change->hold);
    change_one(&remark.good, change->good);
    return replace(folder, number, &remark);
}
