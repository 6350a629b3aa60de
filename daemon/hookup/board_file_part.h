// SPDX-License-Identifier: Apache-2.0
/*
 * board_file_part.h - the parts of a board file, each reading its own sections. Internal to hookup.
 */
#ifndef CRANKTRAP_BOARD_FILE_PART_H
#define CRANKTRAP_BOARD_FILE_PART_H

#include "board_file.h"
#include "reading.h"

/* A list of bytes in hexadecimal, "aa 55" or "0xaa 0x55"; the number read, or -1 and a problem. */
int board_file_hex(struct reading *reading, const struct document_section *section,
                   const struct document_entry *entry, const char *text, uint8_t *bytes,
                   size_t size);

/* "control TYPE REQUEST VALUE INDEX [DATA...]" and "bytes DATA...", commas between them. */
void board_file_requests(struct reading *reading, const struct document_section *section,
                         const char *key, struct board_requests *requests);

/* The section [packet], and what must hold for a driver that needs one. */
void board_file_packet(struct reading *reading, struct board_file *file);

/* The sections [inputs] and [input N]. */
void board_file_inputs(struct reading *reading, struct board_file *file);

#endif
