/* SPDX-License-Identifier: Apache-2.0 */
/*
 * wire_encoder.h - the board's side of the packet-serial wire (docs/wire.md), in portable C99.
 *
 * For microcontrollers: no heap, no library but <stdint.h>, <stddef.h> and <string.h>. About
 * 1.1 KiB of RAM with a packet buffer; define WIRE_PAYLOAD_MAX smaller (in all files alike) where
 * that is too much. The fake board sends with this very file. README.md shows the use.
 *
 * Nothing here blocks. One encoder is for one thread or interrupt at a time.
 */
#ifndef CRANKTRAP_WIRE_ENCODER_H
#define CRANKTRAP_WIRE_ENCODER_H

#include <stddef.h>
#include <stdint.h>

#define WIRE_INPUTS_MAX 64
#define WIRE_NAME_MAX   31
#ifndef WIRE_PAYLOAD_MAX
#define WIRE_PAYLOAD_MAX 512 /* of a packet before framing, check included; 64..512 */
#endif
#define WIRE_PACKET_MAX   (WIRE_PAYLOAD_MAX + WIRE_PAYLOAD_MAX / 254 + 2)
#define WIRE_SKEW_UNKNOWN 0xFFFFFFFFu

/* What the board can tell of itself. */
struct wire_board {
    uint32_t boot_id;         /* another number after every restart */
    uint32_t rate_millihz;    /* scans a second, times 1000; 0: not known */
    uint8_t inputs;           /* 1..WIRE_INPUTS_MAX */
    uint8_t bits;             /* 8..24, the same for all inputs; whole bytes on the wire */
    uint8_t is_signed;        /* 0: counts 0..2^bits-1; 1: two's complement */
    uint32_t skew_ns;         /* from one input to the next; WIRE_SKEW_UNKNOWN */
    uint32_t span_microvolts; /* at the input pin, what 2^bits counts span; 0: not known */
    const char *name;         /* printable ASCII, cut after WIRE_NAME_MAX; with a serial number */
};

struct wire_encoder {
    struct wire_board board;
    uint32_t next_scan; /* number of the first scan of the packet in the making */
    uint32_t dropped;   /* scans the board dropped right before it */
    uint16_t scans;     /* in it so far */
    uint16_t used;      /* bytes of payload so far */
    uint16_t scans_per_packet;
    uint8_t payload[WIRE_PAYLOAD_MAX];
};

/*
 * Begins at scan 0. As many scans as fit, at most `scans_per_packet` (at least 1), go into a
 * packet. `board` is copied, its name is not. 0, or -1 when `board` cannot be: no or too many
 * inputs, bits out of range, or one scan that does not fit into WIRE_PAYLOAD_MAX.
 */
int wire_encoder_begin(struct wire_encoder *encoder, const struct wire_board *board,
                       uint16_t scans_per_packet);

/*
 * Adds one scan (board.inputs counts). When the packet is full it is framed into `packet`
 * (WIRE_PACKET_MAX bytes) and its length returned; else 0. The computer throws a packet away that
 * holds a count beyond the board's bits.
 */
size_t wire_encoder_scan(struct wire_encoder *encoder, const int32_t *counts, uint8_t *packet);

/* Frames what there is, full or not (0: nothing). For a timer, so that no scan waits for long. */
size_t wire_encoder_flush(struct wire_encoder *encoder, uint8_t *packet);

/*
 * `scans` scans were dropped by the board here: their numbers are passed over, and the next packet
 * says so. Frames the scans before them first, as wire_encoder_flush() does.
 */
size_t wire_encoder_skip(struct wire_encoder *encoder, uint32_t scans, uint8_t *packet);

/* Frames the answer to a describe request. The packet in the making is left as it is. */
size_t wire_encoder_describe(const struct wire_encoder *encoder, uint8_t *packet);

/* A request from the computer, as found by wire_decoder_byte(). */
enum wire_request {
    WIRE_REQUEST_NONE,
    WIRE_REQUEST_DESCRIBE,
    WIRE_REQUEST_START,
    WIRE_REQUEST_STOP
};

/* Finds requests in the bytes that come from the computer, one byte at a time. Begin with {0}. */
struct wire_decoder {
    uint16_t used;
    uint8_t frame[16];
};
enum wire_request wire_decoder_byte(struct wire_decoder *decoder, uint8_t byte);

/*
 * The two layers below, for whoever wants to send packets of another kind.
 * wire_check: CRC-16/IBM-3740 of `count` bytes, to be continued from `crc` (begin with 0xFFFF).
 * wire_stuff: COBS of `count` bytes and a closing zero into `packet` (count + count / 254 + 2).
 */
uint16_t wire_check(uint16_t crc, const uint8_t *bytes, size_t count);
size_t wire_stuff(const uint8_t *bytes, size_t count, uint8_t *packet);

#endif
