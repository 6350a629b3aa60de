/* SPDX-License-Identifier: Apache-2.0 */
/*
 * wire_encoder.h - the board's side of the packet-serial wire (docs/wire.md), in portable C99.
 *
 * For microcontrollers: no heap, no library but <stdint.h>, <stddef.h> and <string.h>, about
 * 600 bytes of RAM. The fake board sends with this very file.
 */
#ifndef CRANKTRAP_WIRE_ENCODER_H
#define CRANKTRAP_WIRE_ENCODER_H

#include <stddef.h>
#include <stdint.h>

#define WIRE_INPUTS_MAX  64
#define WIRE_PAYLOAD_MAX 512 /* of a packet before framing */
#define WIRE_PACKET_MAX  (WIRE_PAYLOAD_MAX + WIRE_PAYLOAD_MAX / 254 + 2)

/* What the board can tell of itself. */
struct wire_board {
    uint32_t boot_id;             /* another number after every restart */
    uint32_t rate_millihz;        /* scans a second, times 1000 */
    uint8_t inputs;               /* 1..WIRE_INPUTS_MAX */
    uint8_t bits;                 /* 8..24, the same for all inputs; whole bytes on the wire */
    uint8_t is_signed;            /* 0: counts 0..2^bits-1; 1: two's complement */
    uint32_t skew_ns;             /* from one input to the next; 0xFFFFFFFF: unknown */
    uint32_t nanovolts_per_count; /* at the input pin; 0: not known */
    const char *name; /* printable ASCII, at most 31 characters; with the serial number */
};

struct wire_encoder {
    struct wire_board board;
    uint32_t next_scan; /* number of the first scan of the packet in the making */
    uint16_t scans;     /* in it so far */
    uint16_t used;      /* bytes of payload so far */
    uint16_t scans_per_packet;
    uint8_t payload[WIRE_PAYLOAD_MAX];
};

/* Begins. As many scans as fit, at most `scans_per_packet`, go into a packet. */
void wire_encoder_begin(struct wire_encoder *encoder, const struct wire_board *board,
                        uint16_t scans_per_packet);

/*
 * Adds one scan (board.inputs counts). When the packet is full it is framed into `packet`
 * (WIRE_PACKET_MAX bytes) and its length returned; else 0.
 */
size_t wire_encoder_scan(struct wire_encoder *encoder, const int32_t *counts, uint8_t *packet);

/* Frames what there is, full or not (0: nothing). For a timer, so that no scan waits for long. */
size_t wire_encoder_flush(struct wire_encoder *encoder, uint8_t *packet);

/* `scans` scans were dropped by the board: their numbers are passed over. */
void wire_encoder_skip(struct wire_encoder *encoder, uint32_t scans);

/* Frames the answer to a describe request. */
size_t wire_encoder_describe(const struct wire_encoder *encoder, uint8_t *packet);

/* A request from the computer, as found by wire_decoder_byte(). */
enum wire_request {
    WIRE_REQUEST_NONE,
    WIRE_REQUEST_DESCRIBE,
    WIRE_REQUEST_START,
    WIRE_REQUEST_STOP
};

/* Finds requests in the bytes that come from the computer, one byte at a time. */
struct wire_decoder {
    uint16_t used;
    uint8_t frame[16];
};
enum wire_request wire_decoder_byte(struct wire_decoder *decoder, uint8_t byte);

#endif
