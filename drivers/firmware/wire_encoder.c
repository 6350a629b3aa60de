/* SPDX-License-Identifier: Apache-2.0 */
/*
 * wire_encoder.c - packets for the wire of docs/wire.md, and the requests that come back.
 */
#include "wire_encoder.h"

#include <string.h>

enum {
    TYPE_DESCRIPTION = 0x01,
    TYPE_SCANS = 0x02,
    TYPE_SCANS_AFTER_DROP = 0x03,
    TYPE_DESCRIBE = 0x81,
    TYPE_START = 0x82,
    TYPE_STOP = 0x83
};

#define WIRE_VERSION     1
#define CHECK_SIZE       2
#define SCANS_SIZE       9 /* up to the first scan */
#define AFTER_DROP_SIZE  13
#define DESCRIPTION_SIZE 22 /* up to the name */

static void put_u32(uint8_t *bytes, uint32_t value) {
    bytes[0] = (uint8_t)value;
    bytes[1] = (uint8_t)(value >> 8);
    bytes[2] = (uint8_t)(value >> 16);
    bytes[3] = (uint8_t)(value >> 24);
}

uint16_t wire_check(uint16_t crc, const uint8_t *bytes, size_t count) {
    /* Bit by bit: a table would cost a small board more than it gains. */
    for (size_t i = 0; i < count; i++) {
        crc = (uint16_t)(crc ^ (unsigned)bytes[i] << 8);
        for (int bit = 0; bit < 8; bit++)
            crc = (uint16_t)(crc & 0x8000u ? crc << 1 ^ 0x1021 : crc << 1);
    }
    return crc;
}

size_t wire_stuff(const uint8_t *bytes, size_t count, uint8_t *packet) {
    size_t code = 0; /* where the length of the group in the making goes */
    size_t out = 1;
    uint8_t length = 1;
    for (size_t i = 0; i < count; i++) {
        if (bytes[i]) {
            packet[out++] = bytes[i];
            length++;
        }
        /* A zero ends a group, 254 bytes fill one; one that ends the packet needs no successor. */
        if (!bytes[i] || (length == 0xFF && i + 1 < count)) {
            packet[code] = length;
            code = out++;
            length = 1;
        }
    }
    packet[code] = length;
    packet[out++] = 0;
    return out;
}

/* Checks and frames `count` bytes of payload, which has room for the check behind them. */
static size_t frame(uint8_t *payload, size_t count, uint8_t *packet) {
    uint16_t check = wire_check(0xFFFF, payload, count);
    payload[count] = (uint8_t)(check >> 8);
    payload[count + 1] = (uint8_t)check;
    return wire_stuff(payload, count + CHECK_SIZE, packet);
}

static unsigned value_size(const struct wire_board *board) {
    return (board->bits + 7u) / 8u;
}

int wire_encoder_begin(struct wire_encoder *encoder, const struct wire_board *board,
                       uint16_t scans_per_packet) {
    if (board->inputs < 1 || board->inputs > WIRE_INPUTS_MAX || board->bits < 8 || board->bits > 24)
        return -1;
    if (AFTER_DROP_SIZE + board->inputs * value_size(board) + CHECK_SIZE > WIRE_PAYLOAD_MAX)
        return -1;
    memset(encoder, 0, sizeof *encoder);
    encoder->board = *board;
    encoder->scans_per_packet = scans_per_packet ? scans_per_packet : 1;
    return 0;
}

static void begin_packet(struct wire_encoder *encoder) {
    encoder->payload[0] = encoder->dropped ? TYPE_SCANS_AFTER_DROP : TYPE_SCANS;
    put_u32(encoder->payload + 1, encoder->board.boot_id);
    put_u32(encoder->payload + 5, encoder->next_scan);
    encoder->used = SCANS_SIZE;
    if (encoder->dropped) {
        put_u32(encoder->payload + SCANS_SIZE, encoder->dropped);
        encoder->used = AFTER_DROP_SIZE;
    }
}

size_t wire_encoder_scan(struct wire_encoder *encoder, const int32_t *counts, uint8_t *packet) {
    unsigned size = value_size(&encoder->board);
    if (encoder->scans == 0)
        begin_packet(encoder);
    for (unsigned i = 0; i < encoder->board.inputs; i++) {
        uint32_t value = (uint32_t)counts[i];
        for (unsigned byte = 0; byte < size; byte++)
            encoder->payload[encoder->used++] = (uint8_t)(value >> (8 * byte));
    }
    encoder->scans++;
    if (encoder->scans < encoder->scans_per_packet &&
        encoder->used + encoder->board.inputs * size + CHECK_SIZE <= WIRE_PAYLOAD_MAX)
        return 0;
    return wire_encoder_flush(encoder, packet);
}

size_t wire_encoder_flush(struct wire_encoder *encoder, uint8_t *packet) {
    if (encoder->scans == 0)
        return 0;
    size_t length = frame(encoder->payload, encoder->used, packet);
    encoder->next_scan += encoder->scans;
    encoder->scans = 0;
    encoder->dropped = 0;
    return length;
}

size_t wire_encoder_skip(struct wire_encoder *encoder, uint32_t scans, uint8_t *packet) {
    size_t length = wire_encoder_flush(encoder, packet);
    encoder->next_scan += scans;
    encoder->dropped += scans;
    return length;
}

size_t wire_encoder_describe(const struct wire_encoder *encoder, uint8_t *packet) {
    const struct wire_board *board = &encoder->board;
    uint8_t payload[DESCRIPTION_SIZE + WIRE_NAME_MAX + CHECK_SIZE];
    size_t name = 0;
    while (board->name && name < WIRE_NAME_MAX && board->name[name])
        name++;
    payload[0] = TYPE_DESCRIPTION;
    payload[1] = WIRE_VERSION;
    put_u32(payload + 2, board->boot_id);
    put_u32(payload + 6, board->rate_millihz);
    payload[10] = board->inputs;
    payload[11] = board->bits;
    payload[12] = board->is_signed ? 1 : 0;
    put_u32(payload + 13, board->skew_ns);
    put_u32(payload + 17, board->span_microvolts);
    payload[21] = (uint8_t)name;
    if (name)
        memcpy(payload + DESCRIPTION_SIZE, board->name, name);
    return frame(payload, DESCRIPTION_SIZE + name, packet);
}

/* ---- requests ---- */

/* Undoes the stuffing in place; the number of bytes, or 0 when it is none. */
static size_t unstuff(uint8_t *bytes, size_t count) {
    size_t in = 0;
    size_t out = 0;
    while (in < count) {
        uint8_t code = bytes[in++];
        if (code == 0 || (size_t)code - 1 > count - in)
            return 0;
        for (uint8_t i = 1; i < code; i++)
            bytes[out++] = bytes[in++];
        if (code != 0xFF && in < count)
            bytes[out++] = 0;
    }
    return out;
}

static enum wire_request read_request(uint8_t *bytes, size_t count) {
    count = unstuff(bytes, count);
    if (count <= CHECK_SIZE || wire_check(0xFFFF, bytes, count) != 0)
        return WIRE_REQUEST_NONE;
    switch (bytes[0]) {
    case TYPE_DESCRIBE:
        return WIRE_REQUEST_DESCRIBE;
    case TYPE_START:
        return WIRE_REQUEST_START;
    case TYPE_STOP:
        return WIRE_REQUEST_STOP;
    default:
        return WIRE_REQUEST_NONE;
    }
}

enum wire_request wire_decoder_byte(struct wire_decoder *decoder, uint8_t byte) {
    if (byte) {
        /* One more than fits marks a frame that is no request of ours. */
        if (decoder->used < sizeof decoder->frame)
            decoder->frame[decoder->used] = byte;
        if (decoder->used <= sizeof decoder->frame)
            decoder->used++;
        return WIRE_REQUEST_NONE;
    }
    size_t count = decoder->used;
    decoder->used = 0;
    return count <= sizeof decoder->frame ? read_request(decoder->frame, count) : WIRE_REQUEST_NONE;
}
