// SPDX-License-Identifier: Apache-2.0
/*
 * packet-serial.c - boards that speak the packets of docs/wire.md over a serial line.
 *
 * Scans count only under the description that carries their boot id; the 32-bit scan counter is
 * only ever compared with the one expected, modulo 2^32, so that it may wrap as often as it likes.
 */
#include "board.h"
#include "frame.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define PACKET_MAX 512                                 /* decoded, with its check */
#define FRAME_MAX  (PACKET_MAX + PACKET_MAX / 254 + 1) /* as on the wire, without delimiter */
#define CHECK_SIZE 2

enum { TYPE_DESCRIPTION = 0x01, TYPE_SCANS = 0x02, TYPE_SCANS_AFTER_DROP = 0x03 };

#define WIRE_VERSION     1
#define DESCRIPTION_SIZE 22 /* up to the name */
#define SCANS_SIZE       9  /* up to the first scan */
#define AFTER_DROP_SIZE  13
#define BITS_MIN         8
#define BITS_MAX         24
#define SKEW_UNKNOWN     0xFFFFFFFFu

/* A packet further ahead than this, or behind, is out of place ... */
#define AHEAD_MAX (1u << 24)
/* ... until so many in a row continue each other: then the counter itself has begun anew. */
#define STRAYS_AGREE 8

struct board {
    struct board_sinks sinks;
    double rate_hz; /* by the hookup; 0: not given */

    bool described;
    uint32_t boot_id;
    unsigned value_size; /* bytes of one input's count */
    bool is_signed;
    struct board_description description;

    bool counting; /* `expected` holds */
    uint32_t expected;
    bool damaged; /* something was thrown away since the last good packet */
    unsigned strays;
    uint32_t stray_next;

    bool joined;   /* a delimiter has been seen: frames begin at their beginning */
    bool overlong; /* the frame in the making is too long to be one */
    size_t used;
    uint8_t frame[FRAME_MAX];
    int32_t counts[PACKET_MAX];
};

/* Where the scans of a packet stand, and where they begin in it. */
struct scans {
    uint32_t first;
    uint32_t dropped; /* scans that the board itself dropped right before */
    size_t scans;
};

static uint32_t get_u32(const uint8_t *bytes) {
    return (uint32_t)bytes[0] | (uint32_t)bytes[1] << 8 | (uint32_t)bytes[2] << 16 |
           (uint32_t)bytes[3] << 24;
}

/* A count of 1 to 3 bytes. */
static int32_t get_count(const uint8_t *bytes, size_t size, bool is_signed) {
    int32_t value = 0;
    int32_t values = 1; /* how many there are: 2^(8 size) */
    for (size_t i = 0; i < size; i++) {
        value += bytes[i] * values;
        values *= 256;
    }
    return is_signed && value >= values / 2 ? value - values : value;
}

static void tell(const struct board *board, enum board_note note) {
    board->sinks.note(board->sinks.context, note, 0);
}

static void lose(const struct board *board, enum board_loss reason, uint64_t scans) {
    if (scans)
        board->sinks.loss(board->sinks.context, reason, scans);
}

/* ---- the description ---- */

static void copy_name(char *name, size_t size, const uint8_t *bytes, size_t count) {
    size_t used = 0;
    for (size_t i = 0; i < count && used + 1 < size; i++)
        name[used++] = (char)(bytes[i] >= 0x20 && bytes[i] < 0x7F ? bytes[i] : '?');
    name[used] = '\0';
}

static bool sane_description(const uint8_t *packet) {
    unsigned inputs = packet[10];
    unsigned bits = packet[11];
    return packet[1] == WIRE_VERSION && inputs >= 1 && inputs <= BOARD_INPUTS_MAX &&
           bits >= BITS_MIN && bits <= BITS_MAX;
}

static void fill_description(const struct board *board, const uint8_t *packet,
                             struct board_description *description) {
    memset(description, 0, sizeof *description);
    unsigned bits = packet[11];
    bool is_signed = packet[12] & 1;
    int32_t values = (int32_t)1 << bits;
    uint32_t span_microvolts = get_u32(packet + 17);
    description->inputs = packet[10];
    for (size_t i = 0; i < description->inputs; i++) {
        description->bits[i] = bits;
        description->rail_low[i] = is_signed ? -values / 2 : 0;
        description->rail_high[i] = is_signed ? values / 2 - 1 : values - 1;
        description->volts_per_count[i] =
            span_microvolts ? span_microvolts * 1e-6 / values : (double)NAN;
    }
    uint32_t rate_millihz = get_u32(packet + 6);
    description->rate_hz = rate_millihz ? rate_millihz * 1e-3 : board->rate_hz;
    uint32_t skew_ns = get_u32(packet + 13);
    description->skew_s = skew_ns == SKEW_UNKNOWN ? (double)NAN : skew_ns * 1e-9;
    copy_name(description->identity, sizeof description->identity, packet + DESCRIPTION_SIZE,
              packet[21]);
}

/* NAN is the same as NAN here. */
static bool same_number(double one, double other) {
    return !(one < other) && !(one > other) && isnan(one) == isnan(other);
}

static bool same_description(const struct board_description *one,
                             const struct board_description *other) {
    return one->inputs == other->inputs && one->bits[0] == other->bits[0] &&
           one->rail_low[0] == other->rail_low[0] &&
           same_number(one->volts_per_count[0], other->volts_per_count[0]) &&
           same_number(one->rate_hz, other->rate_hz) && same_number(one->skew_s, other->skew_s) &&
           strcmp(one->identity, other->identity) == 0;
}

static enum board_result take_description(struct board *board, const uint8_t *packet,
                                          size_t count) {
    if (count < DESCRIPTION_SIZE || count < DESCRIPTION_SIZE + (size_t)packet[21])
        return BOARD_BAD_LENGTH;
    if (!sane_description(packet))
        return BOARD_INSANE_VALUE;
    uint32_t boot_id = get_u32(packet + 2);
    struct board_description description;
    fill_description(board, packet, &description);
    if (board->described && board->boot_id == boot_id &&
        same_description(&board->description, &description)) {
        tell(board, BOARD_NOTE_ALIVE);
        return BOARD_OK;
    }
    if (board->counting)
        lose(board, BOARD_LOSS_RESTARTED, BOARD_LOSS_UNKNOWN);
    board->counting = false;
    board->damaged = false;
    board->strays = 0;
    board->described = true;
    board->boot_id = boot_id;
    board->description = description;
    board->value_size = (packet[11] + 7u) / 8u;
    board->is_signed = packet[12] & 1;
    tell(board, BOARD_NOTE_DESCRIBED);
    return BOARD_OK;
}

/* ---- scans ---- */

/* Into board->counts; false when a count cannot come from a converter of so many bits. */
static bool decode_counts(struct board *board, const uint8_t *bytes, size_t values) {
    int32_t low = board->description.rail_low[0];
    int32_t high = board->description.rail_high[0];
    for (size_t i = 0; i < values; i++) {
        int32_t value =
            get_count(bytes + i * board->value_size, board->value_size, board->is_signed);
        if (value < low || value > high)
            return false;
        board->counts[i] = value;
    }
    return true;
}

/* True when the packet may be taken: in its place, or the counter has begun anew. */
static bool find_place(struct board *board, const struct scans *scans) {
    if (!board->counting)
        return true;
    uint32_t ahead = scans->first - board->expected;
    if (ahead <= AHEAD_MAX) {
        uint32_t dropped = scans->dropped < ahead ? scans->dropped : ahead;
        lose(board, board->damaged ? BOARD_LOSS_DAMAGED : BOARD_LOSS_PACKET, ahead - dropped);
        lose(board, BOARD_LOSS_OVERRUN, dropped);
        return true;
    }
    if (board->strays == 0 || scans->first != board->stray_next)
        board->strays = 0;
    board->strays++;
    board->stray_next = scans->first + (uint32_t)scans->scans;
    if (board->strays < STRAYS_AGREE)
        return false;
    lose(board, BOARD_LOSS_RESTARTED, BOARD_LOSS_UNKNOWN);
    return true;
}

static enum board_result take_scans(struct board *board, const uint8_t *packet, size_t count) {
    size_t head = packet[0] == TYPE_SCANS ? SCANS_SIZE : AFTER_DROP_SIZE;
    if (count < head)
        return BOARD_BAD_LENGTH;
    if (!board->described || get_u32(packet + 1) != board->boot_id) {
        tell(board, BOARD_NOTE_ALIVE); /* again() asks for the description that is missing */
        return BOARD_RESYNC;
    }
    size_t scan_size = board->description.inputs * board->value_size;
    struct scans scans = {
        .first = get_u32(packet + 5),
        .dropped = head == AFTER_DROP_SIZE ? get_u32(packet + 9) : 0,
        .scans = (count - head) / scan_size,
    };
    if (scans.scans == 0 || (count - head) % scan_size != 0)
        return BOARD_BAD_LENGTH;
    if (!decode_counts(board, packet + head, scans.scans * board->description.inputs))
        return BOARD_INSANE_VALUE;
    if (!find_place(board, &scans)) {
        tell(board, BOARD_NOTE_ALIVE);
        return BOARD_RESYNC;
    }
    board->sinks.samples(board->sinks.context, board->counts, scans.scans);
    board->counting = true;
    board->expected = scans.first + (uint32_t)scans.scans;
    board->damaged = false;
    board->strays = 0;
    return BOARD_OK;
}

/* ---- packets out of bytes ---- */

static enum board_result take_packet(struct board *board, const uint8_t *packet, size_t count) {
    switch (packet[0]) {
    case TYPE_DESCRIPTION:
        return take_description(board, packet, count);
    case TYPE_SCANS:
    case TYPE_SCANS_AFTER_DROP:
        return take_scans(board, packet, count);
    default: /* of a later edition of the wire */
        tell(board, BOARD_NOTE_ALIVE);
        return BOARD_NEED_MORE;
    }
}

static enum board_result check_frame(struct board *board) {
    ssize_t count = frame_decode(board->frame, board->used, board->frame);
    if (count <= CHECK_SIZE || count > PACKET_MAX)
        return BOARD_BAD_LENGTH;
    if (frame_check(board->frame, (size_t)count) != 0)
        return BOARD_BAD_CHECK;
    return take_packet(board, board->frame, (size_t)count - CHECK_SIZE);
}

/* A delimiter has come. */
static enum board_result end_frame(struct board *board) {
    enum board_result result = BOARD_NEED_MORE;
    if (!board->overlong && board->used)
        result = check_frame(board);
    if (result > BOARD_RESYNC) {
        board->damaged = true;
        if (!board->joined) /* the stream was joined in the middle of this one: no damage */
            result = BOARD_RESYNC;
    }
    board->joined = true;
    board->overlong = false;
    board->used = 0;
    return result;
}

static enum board_result keep_bytes(struct board *board, const uint8_t *bytes, size_t count) {
    if (count <= FRAME_MAX - board->used) {
        memcpy(board->frame + board->used, bytes, count);
        board->used += count;
        return BOARD_NEED_MORE;
    }
    board->used = 0;
    board->overlong = true;
    board->damaged = true;
    return board->joined ? BOARD_BAD_LENGTH : BOARD_RESYNC;
}

static enum board_result packet_consume(struct board *board, const uint8_t *bytes, size_t count) {
    enum board_result result = BOARD_NEED_MORE;
    while (count) {
        const uint8_t *delimiter = memchr(bytes, 0, count);
        size_t part = delimiter ? (size_t)(delimiter - bytes) : count;
        result = board_result_worse(result, keep_bytes(board, bytes, part));
        if (!delimiter)
            break;
        result = board_result_worse(result, end_frame(board));
        bytes += part + 1;
        count -= part + 1;
    }
    return result;
}

/* ---- the rest of the driver ---- */

static const struct board_option options[] = {
    {.name = "baud",
     .type = BOARD_OPTION_WHOLE,
     .standard = "115200",
     .lowest = 1200,
     .highest = 12000000,
     .help = "bits a second of the serial line; boards on USB of their own ignore it"},
    {.name = "rate",
     .type = BOARD_OPTION_NUMBER,
     .lowest = 0.01,
     .highest = 1000000,
     .help = "scans a second; only needed where the board's own description does not tell"},
    {0},
};

const struct board_driver board_driver_packet_serial;

static int packet_open(const struct board_settings *settings, const struct board_sinks *sinks,
                       struct board **board, char *why, size_t why_size) {
    struct board *made = calloc(1, sizeof *made);
    if (!made) {
        if (why && why_size)
            snprintf(why, why_size, "not enough memory");
        return -ENOMEM;
    }
    made->sinks = *sinks;
    made->rate_hz = board_setting_number(&board_driver_packet_serial, settings, "rate", 0);
    *board = made;
    return 0;
}

static int packet_describe(const struct board *board, struct board_description *description) {
    if (!board->described)
        return -EAGAIN;
    *description = board->description;
    return 0;
}

/* Requests as they go over the wire: docs/wire.md, "Requests". */
static const uint8_t describe_and_start[] = {0x00, 0x04, 0x81, 0x60, 0x59, 0x00,
                                             0x04, 0x82, 0x50, 0x3A, 0x00};
static const uint8_t stop_only[] = {0x00, 0x04, 0x83, 0x40, 0x1B, 0x00};

static void fill(struct board_bytes *request, const uint8_t *bytes, size_t count) {
    memcpy(request->byte, bytes, count);
    request->count = count;
}

static int packet_again(struct board *board, struct board_bytes *request) {
    (void)board;
    fill(request, describe_and_start, sizeof describe_and_start);
    return 0;
}

static int packet_start(struct board *board, struct board_bytes *request) {
    board->counting = false;
    board->damaged = false;
    board->strays = 0;
    board->joined = false;
    board->overlong = false;
    board->used = 0;
    return packet_again(board, request);
}

static int packet_stop(struct board *board, struct board_bytes *request) {
    (void)board;
    fill(request, stop_only, sizeof stop_only);
    return 0;
}

static void packet_close(struct board *board) {
    free(board);
}

const struct board_driver board_driver_packet_serial = {
    .interface = BOARD_INTERFACE,
    .name = "packet-serial",
    .summary = "a board that sends the packets of docs/wire.md over a serial line",
    .shape = BOARD_STREAM,
    .bus = BOARD_SERIAL,
    .maturity = BOARD_TRIED_ON_FAKES_ONLY,
    .options = options,
    .silence_limit_s = 3,
    .keep_modem_lines = true,
    .open = packet_open,
    .describe = packet_describe,
    .start = packet_start,
    .consume = packet_consume,
    .again = packet_again,
    .stop = packet_stop,
    .close = packet_close,
};
