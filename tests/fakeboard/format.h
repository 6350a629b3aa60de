// SPDX-License-Identifier: Apache-2.0
/*
 * format.h - scans as bytes: packets of docs/wire.md by the boards' own encoder, or lines of text.
 */
#ifndef CRANKTRAP_FAKEBOARD_FORMAT_H
#define CRANKTRAP_FAKEBOARD_FORMAT_H

#include "wire_encoder.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define FORMAT_BYTES_MAX 1024 /* of one packet or line */

enum format_kind { FORMAT_PACKET, FORMAT_TEXT };
enum format_place { FORMAT_COUNTER, FORMAT_TIME, FORMAT_NEITHER }; /* first column of a line */

struct format {
    enum format_kind kind;
    enum format_place place;
    unsigned decimals; /* of a line: volts with so many; 0: counts */
    struct wire_board board;
    double volts_per_count;
    int32_t low, high;
    uint16_t scans_per_packet;
    uint32_t number; /* of the next scan */
    struct wire_encoder encoder;
};

/* From `kind` to `scans_per_packet` is set; `board.boot_id` begins anew. 0, or -1: cannot be. */
int format_begin(struct format *format, uint32_t first);

/* Each returns the number of bytes now in `bytes` (FORMAT_BYTES_MAX), 0 for none yet. */
size_t format_scan(struct format *format, const double *volts, uint8_t *bytes);
size_t format_flush(struct format *format, uint8_t *bytes);

/* The board has no room for the next scan: it is dropped and told so, where the format can. */
size_t format_drop(struct format *format, uint8_t *bytes);

/* The next scan goes by while nobody listens. Whatever was in the making goes too. */
void format_pass(struct format *format);

/* What the board tells of itself: a description, or a comment. */
size_t format_describe(struct format *format, uint8_t *bytes);

/* Scans in the packet in the making. */
unsigned format_held(const struct format *format);

#endif
