// SPDX-License-Identifier: Apache-2.0
/*
 * storage_part.c - the section [storage], and the stretch that triggers share with it.
 */
#include "reading.h"

static const char *const storage_keys[] = {
    "ring", "memory", "snapshots", "keep-free", "loss-window", "before", "after", "budget", NULL};

#define STRETCH_MOST 600  /* seconds before or after a mark */
#define BUDGET_MOST  3600 /* seconds of an hour */

void reading_stretch(struct reading *reading, const struct document_section *section,
                     double *before_s, double *after_s) {
    reading_number(reading, section, "before", QUANTITY_SECONDS, 0, STRETCH_MOST, before_s);
    reading_number(reading, section, "after", QUANTITY_SECONDS, 0, STRETCH_MOST, after_s);
}

static bool read_bytes(struct reading *reading, const struct document_section *section,
                       const char *key, double lowest, double highest, uint64_t *bytes) {
    double number;
    bool given = reading_number(reading, section, key, QUANTITY_BYTES, lowest, highest, &number);
    if (given)
        *bytes = (uint64_t)number;
    return given;
}

void reading_storage(struct reading *reading) {
    const double mebibyte = 1048576;
    const double most = 1e15;
    struct hookup_storage *storage = &reading->whole->hookup.storage;
    /* For a small computer with a 16 GB card: eight channels at 10 kS/s fill 4 GiB in a day. */
    *storage = (struct hookup_storage){.ring_bytes = 4ULL << 30,
                                       .memory_bytes = 8ULL << 20,
                                       .snapshot_bytes = 2ULL << 30,
                                       .keep_free_bytes = 512ULL << 20,
                                       .loss_window_s = 5,
                                       .before_s = 20,
                                       .after_s = 20,
                                       .budget_s = 300};
    const struct document_section *section = reading_only(reading, "storage");
    if (!section)
        return;
    read_bytes(reading, section, "ring", mebibyte, most, &storage->ring_bytes);
    storage->memory_given =
        read_bytes(reading, section, "memory", mebibyte, 4096 * mebibyte, &storage->memory_bytes);
    read_bytes(reading, section, "snapshots", mebibyte, most, &storage->snapshot_bytes);
    read_bytes(reading, section, "keep-free", 0, most, &storage->keep_free_bytes);
    reading_number(reading, section, "loss-window", QUANTITY_SECONDS, 0.5, 60,
                   &storage->loss_window_s);
    reading_stretch(reading, section, &storage->before_s, &storage->after_s);
    reading_number(reading, section, "budget", QUANTITY_SECONDS, 0, BUDGET_MOST,
                   &storage->budget_s);
    reading_rest(reading, section, storage_keys, NULL);
}
