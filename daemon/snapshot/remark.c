// SPDX-License-Identifier: Apache-2.0
/*
 * remark.c - NNNN.note, written beside the older one, synced, then put in its place.
 */
#include "remark.h"

#include "snapshot_folder.h"

#include <errno.h>
#include <fcntl.h>
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

static int write_file(const char *path, const struct remark *remark) {
    json_t *root = json_pack("{s:b, s:b, s:b, s:s}", "reviewed", (int)remark->reviewed, "hold",
                             (int)remark->hold, "good", (int)remark->good, "text", remark->text);
    int file = root ? open(path, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0644) : -1;
    int result = 0;
    if (!root)
        result = -ENOMEM;
    else if (file < 0)
        result = -errno;
    errno = EIO; /* jansson leaves errno as write() set it */
    if (!result && (json_dumpfd(root, file, 0) < 0 || fsync(file) < 0))
        result = -errno;
    if (file >= 0 && close(file) < 0 && !result)
        result = -errno;
    json_decref(root);
    return result;
}

static bool is_there(const char *folder, unsigned number) {
    char *path = snapshot_folder_path(folder, number, SNAPSHOT_SUFFIX);
    bool there = path && access(path, F_OK) == 0;
    free(path);
    return there;
}

static int replace(const char *folder, unsigned number, const struct remark *remark) {
    char *path = snapshot_folder_path(folder, number, SNAPSHOT_REMARK);
    char *part = snapshot_folder_path(folder, number, SNAPSHOT_REMARK_PART);
    int result = path && part ? write_file(part, remark) : -ENOMEM;
    if (!result && rename(part, path) < 0)
        result = -errno;
    if (result && part)
        unlink(part);
    if (!result && !is_there(folder, number)) { /* it has just made room */
        unlink(path);
        result = -ENOENT;
    }
    free(part);
    free(path);
    return result ? result : snapshot_folder_sync(folder);
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
