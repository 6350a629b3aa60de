// SPDX-License-Identifier: Apache-2.0
/*
 * calibration_store.h - the calibrations of the state folder: calibration.json, one entry for each
 * board and input. One caller at a time.
 */
#ifndef CRANKTRAP_CALIBRATION_STORE_H
#define CRANKTRAP_CALIBRATION_STORE_H

#include "calibration.h"

struct calibration_store {
    size_t count;
    struct calibration *calibrations;
};

/*
 * Reads the file of `folder`; none there is an empty store. 0; -ENOMEM; -EBADMSG where something
 * in it makes no sense (then `*store` is untouched: nothing is used of a file that is half right);
 * or the file's own errno.
 */
int calibration_store_read(const char *folder, struct calibration_store *store);

/* Of that input of that board, or NULL; owned by the store. */
const struct calibration *calibration_store_find(const struct calibration_store *store,
                                                 const char *board, size_t input);

/* Puts it in the place of an older one of its board and input. 0 or -ENOMEM. */
int calibration_store_put(struct calibration_store *store, const struct calibration *calibration);

/* Takes it out; false: there is none. */
bool calibration_store_remove(struct calibration_store *store, const char *board, size_t input);

/* Writes it whole and durably in place of the older file, or leaves that. 0 or a negative errno. */
int calibration_store_write(const struct calibration_store *store, const char *folder);

/* Frees what it holds; an empty store is fine. */
void calibration_store_clear(struct calibration_store *store);

#endif
