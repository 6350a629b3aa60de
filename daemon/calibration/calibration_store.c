// SPDX-License-Identifier: Apache-2.0
/*
 * calibration_store.c - read whole, changed in memory, written beside the older file and put in its
 * place.
 */
#include "calibration_store.h"

#include "calibration_json.h"
#include "text_file.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define NAME   "calibration.json"
#define SCHEMA "cranktrap.calibrations/1"
#define MOST   4096 /* of one state folder: more is no file of ours */

static int read_entries(const json_t *root, struct calibration_store *store) {
    const char *schema = json_string_value(json_object_get(root, "schema"));
    const json_t *list = json_object_get(root, "calibrations");
    size_t count = json_array_size(list);
    if (!schema || strcmp(schema, SCHEMA) != 0 || !json_is_array(list) || count > MOST)
        return -EBADMSG;
    struct calibration_store read = {0};
    read.calibrations = calloc(count + 1, sizeof *read.calibrations);
    if (!read.calibrations)
        return -ENOMEM;
    for (; read.count < count; read.count++)
        if (calibration_from_json(json_array_get(list, read.count),
                                  &read.calibrations[read.count]) < 0) {
            calibration_store_clear(&read);
            return -EBADMSG;
        }
    *store = read;
    return 0;
}

int calibration_store_read(const char *folder, struct calibration_store *store) {
    char *path = NULL;
    if (asprintf(&path, "%s/" NAME, folder) < 0)
        return -ENOMEM;
    FILE *file = fopen(path, "re");
    int error = errno;
    free(path);
    if (!file && error == ENOENT)
        *store = (struct calibration_store){0};
    if (!file)
        return error == ENOENT ? 0 : -error;
    json_t *root = json_loadf(file, JSON_REJECT_DUPLICATES, NULL);
    int result = root ? read_entries(root, store) : -EBADMSG;
    json_decref(root);
    fclose(file);
    return result;
}

static size_t index_of(const struct calibration_store *store, const char *board, size_t input) {
    size_t i = 0;
    while (i < store->count && (store->calibrations[i].input != input ||
                                strcmp(store->calibrations[i].board, board) != 0))
        i++;
    return i;
}

const struct calibration *calibration_store_find(const struct calibration_store *store,
                                                 const char *board, size_t input) {
    size_t i = index_of(store, board, input);
    return i < store->count ? &store->calibrations[i] : NULL;
}

int calibration_store_put(struct calibration_store *store, const struct calibration *calibration) {
    size_t i = index_of(store, calibration->board, calibration->input);
    if (i == store->count) {
        struct calibration *more =
            realloc(store->calibrations, (store->count + 1) * sizeof *store->calibrations);
        if (!more)
            return -ENOMEM;
        store->calibrations = more;
        store->count++;
    }
    store->calibrations[i] = *calibration;
    return 0;
}

bool calibration_store_remove(struct calibration_store *store, const char *board, size_t input) {
    size_t i = index_of(store, board, input);
    if (i == store->count)
        return false;
    store->count--;
    memmove(&store->calibrations[i], &store->calibrations[i + 1],
            (store->count - i) * sizeof *store->calibrations);
    return true;
}

static json_t *store_json(const struct calibration_store *store) {
    json_t *list = json_array();
    for (size_t i = 0; i < store->count; i++)
        json_array_append_new(list, calibration_to_json(&store->calibrations[i]));
    json_t *root = json_pack("{s:s, s:O}", "schema", SCHEMA, "calibrations", list);
    bool whole = json_array_size(list) == store->count;
    json_decref(list);
    if (whole)
        return root;
    json_decref(root);
    return NULL;
}

int calibration_store_write(const struct calibration_store *store, const char *folder) {
    json_t *root = store_json(store);
    char *text = json_dumps(root, JSON_INDENT(1) | JSON_REAL_PRECISION(17)); /* takes NULL */
    int result = text ? text_file_replace(folder, NAME, text) : -ENOMEM;
    free(text);
    json_decref(root);
    return result;
}

void calibration_store_clear(struct calibration_store *store) {
    free(store->calibrations);
    *store = (struct calibration_store){0};
}
