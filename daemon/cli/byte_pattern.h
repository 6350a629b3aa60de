// SPDX-License-Identifier: Apache-2.0
/*
 * byte_pattern.h - what unknown bytes look like: text, or packets of which size. Hints for a
 * person who writes a board file; pure.
 */
#ifndef CRANKTRAP_BYTE_PATTERN_H
#define CRANKTRAP_BYTE_PATTERN_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define BYTE_PATTERN_PLACES 8

struct byte_pattern {
    bool text;       /* nearly all of it can be printed */
    size_t distance; /* bytes from one packet to the next; 0: nothing comes back */
    size_t first;    /* where the first whole packet begins, if places[0] is its first byte */
    size_t places;   /* bytes of a packet that stay the same, counted from that first byte */
    size_t place[BYTE_PATTERN_PLACES];
    uint8_t value[BYTE_PATTERN_PLACES];
    bool counts; /* a byte goes up by one from packet to packet, */
    size_t counter_at;
};

/*
 * Looks for the distance, of at most an eighth of the bytes, at which most of them come back, and
 * for the bytes that are the same in nine of ten packets of that size. Values that do not move stay
 * the same too: it is a hint.
 */
void byte_pattern_find(const uint8_t *bytes, size_t count, struct byte_pattern *pattern);

#endif
