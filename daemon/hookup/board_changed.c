// SPDX-License-Identifier: Apache-2.0
/*
 * board_changed.c - may a hookup take the place of another while its boards stream?
 */
#include "hookup.h"

#include "board_file.h"

#include <string.h>

static bool texts_equal(const char *left, const char *right) {
    return left == right || (left && right && strcmp(left, right) == 0);
}

static bool settings_equal(const struct board_settings *left, const struct board_settings *right) {
    if (left->count != right->count ||
        !texts_equal(left->file ? left->file->name : NULL, right->file ? right->file->name : NULL))
        return false;
    for (size_t i = 0; i < left->count; i++)
        if (!texts_equal(left->setting[i].name, right->setting[i].name) ||
            !texts_equal(left->setting[i].value, right->setting[i].value))
            return false;
    return true;
}

static bool boards_equal(const struct hookup_board *left, const struct hookup_board *right) {
    return texts_equal(left->name, right->name) && left->driver == right->driver &&
           texts_equal(left->device, right->device) && left->baud == right->baud &&
           left->rate_hz <= right->rate_hz && left->rate_hz >= right->rate_hz &&
           settings_equal(&left->settings, &right->settings);
}

const char *hookup_board_changed(const struct hookup *old, const struct hookup *fresh) {
    for (size_t i = 0; i < fresh->board_count; i++)
        if (i >= old->board_count || !boards_equal(&old->boards[i], &fresh->boards[i]))
            return fresh->boards[i].name;
    return old->board_count > fresh->board_count ? old->boards[fresh->board_count].name : NULL;
}
