// SPDX-License-Identifier: Apache-2.0
/*
 * packet_layout.h - how a board's packet is made, as plain data, and its values taken out.
 *
 * Every packet has the same size:
 *
 *   header (bytes that never change) | counter | ... | scans, one after the other | ... | check
 *
 * Within a scan stand its columns in the board's order; each column is the value of an input, or
 * nothing of use.
 */
#ifndef CRANKTRAP_PACKET_LAYOUT_H
#define CRANKTRAP_PACKET_LAYOUT_H

#include "board.h"
#include "packet_check.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define PACKET_HEADER_MAX   8
#define PACKET_SIZE_LIMIT   16384
#define PACKET_COLUMNS_MAX  (BOARD_INPUTS_MAX + 16)
#define PACKET_COLUMN_BLANK (-1)

enum packet_counts { PACKET_COUNTS_PACKETS, PACKET_COUNTS_SCANS };

struct packet_layout {
    size_t header_size; /* 0: none */
    uint8_t header[PACKET_HEADER_MAX];

    unsigned counter_bits; /* 8, 16, 24, 32; 0: no counter */
    size_t counter_at;
    bool counter_big;
    enum packet_counts counts; /* what it goes up by one for */

    size_t values_at;         /* where the first scan begins */
    size_t scans;             /* of one packet */
    size_t scan_bits;         /* from the beginning of a scan to that of the next */
    unsigned value_bits;      /* significant bits of a value: 2..32, at most 31 unsigned */
    unsigned value_slot_bits; /* from one value to the next; whole bytes, unless packed */
    unsigned value_shift;     /* bits below the value within its slot */
    bool is_signed;           /* two's complement */
    bool big;                 /* highest byte (packed: highest bit) first */

    size_t columns;                    /* values of a scan, used or not */
    int16_t input[PACKET_COLUMNS_MAX]; /* PACKET_COLUMN_BLANK: none */
    size_t inputs;                     /* each input from 0 up stands in exactly one column */

    enum packet_check check; /* behind everything else: the packet's last bytes */
    size_t check_from;       /* the first byte it covers; it covers up to itself */
    bool check_big;

    size_t size; /* of the whole packet */
};

/* Nothing in it contradicts or overlaps: no byte outside the packet will be looked at. */
bool packet_layout_sound(const struct packet_layout *layout);

/* Header or check show where a packet begins: it is found again after any damage. */
bool packet_layout_finds_itself(const struct packet_layout *layout);

/* Lowest and highest count that a value can have. */
int32_t packet_layout_lowest(const struct packet_layout *layout);
int32_t packet_layout_highest(const struct packet_layout *layout);

/* The packet begins with the layout's header. `packet` has at least header_size bytes. */
bool packet_layout_begins(const struct packet_layout *layout, const uint8_t *packet);

/* The packet's counter; `packet` reaches at least to the counter's end. */
uint32_t packet_layout_counter(const struct packet_layout *layout, const uint8_t *packet);

/* The check in the packet is that of its bytes. True where the layout has none. */
bool packet_layout_checks(const struct packet_layout *layout,
                          const struct packet_check_table *table, const uint8_t *packet);

/* All scans of a whole packet: counts[scan * inputs + input]. */
void packet_layout_counts(const struct packet_layout *layout, const uint8_t *packet,
                          int32_t *counts);

#endif
