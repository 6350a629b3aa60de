// SPDX-License-Identifier: Apache-2.0
/*
 * bench_van.h - the vehicle that is measured: the simulated van with all eight of its leads, behind
 * its own driver or behind a board that speaks packets; and a folder to work in.
 */
#ifndef CRANKTRAP_BENCH_VAN_H
#define CRANKTRAP_BENCH_VAN_H

#include "board.h"
#include "hookup.h"

#include <stddef.h>
#include <stdint.h>
#include <sys/types.h>

enum { VAN_INPUTS = 8, VAN_RATE_HZ = 10000, VAN_PIECE_SCANS = 100 };

/* The hookup with `board` as the lines of its board section. NULL: what is wrong is printed. */
struct hookup *van_hookup(const char *board);

/* The same where the board's lines name a board file: only a hookup in a file, here in `folder`,
 * looks for that. */
struct hookup *van_hookup_with_board_file(const char *folder, const char *board);

/* What a port gives in one read: packets with whole scans. */
struct van_piece {
    uint32_t scans;
    uint8_t packets[8192];
};

/*
 * Starts a child process that simulates `seconds` of the van, an attempt to start in every minute,
 * and sends them by the firmware's encoder: first the board's description (0 scans), then pieces
 * of VAN_PIECE_SCANS. Returns a descriptor, one piece a read, or -1.
 */
int van_board_start(unsigned seconds, pid_t *child);

/* The bytes of the next piece's packets; 0 at the end. */
size_t van_board_read(int board, struct van_piece *piece);

/* Closes the descriptor and waits for the child: did it end well? */
int van_board_end(int board, pid_t child);

/* A new folder below TMPDIR or /tmp: 0, or -1 with the error printed. */
int van_folder_make(char *path, size_t size);

/* Removes it, with the files and the folder of files in it. */
void van_folder_remove(const char *path);

#endif
