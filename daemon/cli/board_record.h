// SPDX-License-Identifier: Apache-2.0
/*
 * board_record.h - the raw bytes of a board, kept as `sh tests/driver` replays them.
 */
#ifndef CRANKTRAP_BOARD_RECORD_H
#define CRANKTRAP_BOARD_RECORD_H

#include "hookup.h"

#include <stddef.h>
#include <stdint.h>

#define BOARD_RECORD_MOST 262144 /* bytes; what the kit takes */

struct board_record;

/* Keeps at most `limit` bytes. 0 or -ENOMEM. */
int board_record_new(size_t limit, struct board_record **record);
void board_record_free(struct board_record *record); /* takes NULL */

/* Those beyond the limit, and all behind a hole, are passed over: what is kept is one piece. */
void board_record_add(struct board_record *record, const uint8_t *bytes, size_t count);
void board_record_hole(struct board_record *record);

/* How many are kept. */
size_t board_record_bytes(const struct board_record *record);

/*
 * Writes BASE.bytes (hexadecimal), BASE.scans (what the board's driver finds in them, read anew
 * from the first) and, beside them, BASE.board (a copy of `board_file`) or, where that is NULL,
 * BASE.settings (KEY=VALUE a line). 0; -EEXIST one of them is there already; or another negative
 * errno. `path` (of `size` bytes) is the file that it failed at. What was written stays.
 */
int board_record_save(const struct board_record *record, const struct hookup_board *board,
                      const char *base, const char *board_file, char *path, size_t size);

#endif
