/* SPDX-License-Identifier: Apache-2.0 */
/*
 * example_board.c - a whole board: the tick fills one buffer while the main loop packs the other.
 *
 * A port that is too slow never holds up the conversions: when both buffers are full the tick
 * counts what it could not keep, and the packet behind says so. A counted loss is exact.
 */
#include "example_board.h"

#define DESCRIBE_PACKETS 100 /* a reader that joins late needs no answer to a request */

/* The compiler must not move what a buffer holds across the word that hands it over. One core. */
#define BARRIER() __asm__ volatile("" ::: "memory")

struct buffer {
    volatile uint8_t full; /* the main loop's; else the tick's */
    uint8_t scans;
    uint32_t missed; /* right before its first scan */
    int32_t counts[EXAMPLE_SCANS][EXAMPLE_INPUTS];
};

static struct buffer buffers[2];
static uint8_t filling; /* the tick's */
static uint8_t packing; /* the main loop's */
static uint32_t missed; /* since the last scan that was kept; the tick's */
static uint8_t streaming, describe_wanted;
static uint16_t packets; /* since the last description */

static struct wire_encoder encoder;
static struct wire_decoder decoder;
static uint8_t packet[WIRE_PACKET_MAX];
static size_t packet_size, packet_sent;

int example_board_begin(const struct wire_board *board) {
    const size_t scan_bytes = (size_t)EXAMPLE_INPUTS * ((board->bits + 7u) / 8u);
    if (board->inputs != EXAMPLE_INPUTS || EXAMPLE_SCANS > 255 ||
        EXAMPLE_SCANS * scan_bytes + 15 > WIRE_PAYLOAD_MAX)
        return -1;
    return wire_encoder_begin(&encoder, board, EXAMPLE_SCANS);
}

void example_board_tick(void) {
    struct buffer *buffer = &buffers[filling];
    if (buffer->full) {
        missed++;
        return;
    }
    if (buffer->scans == 0) {
        buffer->missed = missed;
        missed = 0;
    }
    example_hook_convert(buffer->counts[buffer->scans]);
    if (++buffer->scans < EXAMPLE_SCANS)
        return;
    BARRIER();
    buffer->full = 1;
    filling ^= 1u;
}

/* A buffer into a packet, and back to the tick. */
static void pack(struct buffer *buffer) {
    uint8_t i;
    BARRIER();
    if (buffer->missed)
        (void)wire_encoder_skip(&encoder, buffer->missed, packet); /* nothing is in the making */
    for (i = 0; i < buffer->scans; i++)
        packet_size = wire_encoder_scan(&encoder, buffer->counts[i], packet);
    if (packet_size == 0) /* a buffer that was not full: the last before a stop */
        packet_size = wire_encoder_flush(&encoder, packet);
    buffer->scans = 0;
    packing ^= 1u;
    packets++;
    BARRIER();
    buffer->full = 0;
}

static void start(void) {
    if (streaming)
        return;
    streaming = describe_wanted = 1;
    example_hook_timer(1);
}

/* The tick has ended: what it had begun is handed over as it is. */
static void stop(void) {
    if (!streaming)
        return;
    example_hook_timer(0);
    streaming = 0;
    if (!buffers[filling].full && buffers[filling].scans) {
        buffers[filling].full = 1;
        filling ^= 1u;
    }
}

static void listen(void) {
    int byte = example_hook_receive();
    if (byte < 0)
        return;
    switch (wire_decoder_byte(&decoder, (uint8_t)byte)) {
    case WIRE_REQUEST_DESCRIBE:
        describe_wanted = 1;
        break;
    case WIRE_REQUEST_START:
        start();
        break;
    case WIRE_REQUEST_STOP:
        stop();
        break;
    case WIRE_REQUEST_NONE:
        break;
    }
}

void example_board_step(void) {
    listen();
    if (packet_sent < packet_size)
        packet_sent += example_hook_send(packet + packet_sent, packet_size - packet_sent);
    if (packet_sent < packet_size)
        return; /* the port is slower: the tick goes on meanwhile */
    packet_size = packet_sent = 0;
    if (describe_wanted || packets >= DESCRIBE_PACKETS) {
        describe_wanted = 0;
        packets = 0;
        packet_size = wire_encoder_describe(&encoder, packet);
    } else if (buffers[packing].full) {
        pack(&buffers[packing]);
    }
}
