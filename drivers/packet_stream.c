// SPDX-License-Identifier: Apache-2.0
/*
 * packet_stream.c - finds the packets of a layout in a stream of bytes.
 *
 * What proves that a packet is one: its check; where it has none, that the next packet begins
 * right behind it, and that its counter is in step with the one before or the one after. A header
 * alone proves nothing: its bytes also occur in values.
 */
#include "packet_stream.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>

struct packet_stream {
    struct packet_layout layout;
    struct board_sinks sinks;
    struct packet_check_table table;
    size_t proof; /* bytes that must be there to judge a packet: it, or it and the next's begin */
    uint32_t counter_mask;
    uint32_t counter_step; /* from packet to packet */

    bool flowing;      /* a packet has been taken since the restart */
    bool hole;         /* bytes were missing since the last packet taken */
    size_t passed;     /* bytes thrown away since the last packet taken */
    uint32_t expected; /* the next packet's counter, while flowing */

    int32_t *counts; /* of one packet */
    size_t used, room;
    uint8_t bytes[];
};

static size_t prefix_size(const struct packet_layout *layout) {
    size_t counter_end = layout->counter_bits ? layout->counter_at + layout->counter_bits / 8 : 0;
    return counter_end > layout->header_size ? counter_end : layout->header_size;
}

int packet_stream_new(const struct packet_layout *layout, const struct board_sinks *sinks,
                      struct packet_stream **stream) {
    if (!packet_layout_sound(layout))
        return -EINVAL;
    bool checked = layout->check != PACKET_CHECK_NONE;
    size_t proof = layout->size;
    if (!checked && layout->header_size)
        proof += prefix_size(layout);
    size_t room = 2 * proof;
    struct packet_stream *made = calloc(1, sizeof *made + room);
    if (!made)
        return -ENOMEM;
    made->counts = calloc(layout->scans * layout->inputs, sizeof *made->counts);
    if (!made->counts) {
        free(made);
        return -ENOMEM;
    }
    made->layout = *layout;
    made->sinks = *sinks;
    made->proof = proof;
    made->room = room;
    made->counter_mask = layout->counter_bits ? UINT32_MAX >> (32 - layout->counter_bits) : 0;
    made->counter_step = layout->counts == PACKET_COUNTS_SCANS ? (uint32_t)layout->scans : 1;
    packet_check_fill(layout->check, &made->table);
    *stream = made;
    return 0;
}

void packet_stream_restart(struct packet_stream *stream) {
    stream->flowing = false;
    stream->hole = false;
    stream->passed = 0;
    stream->used = 0;
}

void packet_stream_hole(struct packet_stream *stream) {
    stream->hole = true;
    stream->used = 0;
}

static void lose(const struct packet_stream *stream, enum board_loss reason, uint64_t scans) {
    stream->sinks.loss(stream->sinks.context, reason, scans);
}

/* ---- is it a packet? ---- */

static bool in_step(const struct packet_stream *stream, const uint8_t *packet) {
    const struct packet_layout *layout = &stream->layout;
    uint32_t counter = packet_layout_counter(layout, packet);
    uint32_t next = packet_layout_counter(layout, packet + layout->size);
    return (stream->flowing && counter == stream->expected) ||
           ((next - counter) & stream->counter_mask) == stream->counter_step;
}

/* BOARD_OK: a packet; BOARD_NEED_MORE: cannot be said yet; else why it is none. */
static enum board_result judge(const struct packet_stream *stream, const uint8_t *packet,
                               size_t left) {
    const struct packet_layout *layout = &stream->layout;
    if (left < layout->header_size)
        return BOARD_NEED_MORE;
    if (!packet_layout_begins(layout, packet))
        return BOARD_RESYNC;
    if (left < stream->proof)
        return BOARD_NEED_MORE;
    if (layout->check != PACKET_CHECK_NONE)
        return packet_layout_checks(layout, &stream->table, packet) ? BOARD_OK : BOARD_BAD_CHECK;
    if (layout->header_size && !packet_layout_begins(layout, packet + layout->size))
        return BOARD_BAD_LENGTH;
    if (layout->header_size && layout->counter_bits && !in_step(stream, packet))
        return BOARD_INSANE_VALUE;
    return BOARD_OK;
}

/* How far it is from this place to the next where a packet may begin. */
static size_t next_candidate(const struct packet_stream *stream, const uint8_t *bytes,
                             size_t left) {
    if (!stream->layout.header_size || left < 2)
        return 1;
    const uint8_t *found = memchr(bytes + 1, stream->layout.header[0], left - 1);
    return found ? (size_t)(found - bytes) : left;
}

/* ---- what is missing before it? ---- */

/* By the counter. False: the packet came before. */
static bool tell_by_counter(const struct packet_stream *stream, uint32_t counter) {
    uint32_t ahead = (counter - stream->expected) & stream->counter_mask;
    uint64_t scans_per_count =
        stream->layout.counts == PACKET_COUNTS_SCANS ? 1 : stream->layout.scans;
    if (ahead == 0)
        return true;
    if (ahead == (-stream->counter_step & stream->counter_mask))
        return false;
    if (ahead > stream->counter_mask / 2)
        lose(stream, BOARD_LOSS_RESTARTED, BOARD_LOSS_UNKNOWN);
    else
        lose(stream, stream->passed ? BOARD_LOSS_DAMAGED : BOARD_LOSS_PACKET,
             ahead * scans_per_count);
    return true;
}

/* Without one: bytes thrown away are packets of known size where they are whole packets. */
static void tell_by_bytes(const struct packet_stream *stream) {
    size_t size = stream->layout.size;
    if (stream->hole || stream->passed % size != 0)
        lose(stream, BOARD_LOSS_DAMAGED, BOARD_LOSS_UNKNOWN);
    else if (stream->passed)
        lose(stream, BOARD_LOSS_DAMAGED, stream->passed / size * stream->layout.scans);
}

static enum board_result take_packet(struct packet_stream *stream, const uint8_t *packet) {
    const struct packet_layout *layout = &stream->layout;
    uint32_t counter = layout->counter_bits ? packet_layout_counter(layout, packet) : 0;
    if (stream->flowing && layout->counter_bits) {
        if (!tell_by_counter(stream, counter)) {
            stream->passed += layout->size;
            return BOARD_RESYNC;
        }
    } else if (stream->flowing) {
        tell_by_bytes(stream);
    }
    packet_layout_counts(layout, packet, stream->counts);
    stream->sinks.samples(stream->sinks.context, stream->counts, layout->scans);
    stream->expected = (counter + stream->counter_step) & stream->counter_mask;
    stream->flowing = true;
    stream->hole = false;
    stream->passed = 0;
    return BOARD_OK;
}

/* ---- bytes ---- */

/* Takes what can be judged out of stream->bytes. */
static enum board_result take_buffered(struct packet_stream *stream) {
    enum board_result worst = BOARD_NEED_MORE;
    size_t at = 0;
    while (at < stream->used) {
        const uint8_t *place = stream->bytes + at;
        size_t left = stream->used - at;
        enum board_result result = judge(stream, place, left);
        if (result == BOARD_NEED_MORE)
            break;
        if (result == BOARD_OK) {
            result = take_packet(stream, place);
            at += stream->layout.size;
        } else {
            size_t step = next_candidate(stream, place, left);
            /* Joined in the middle of a packet: that is no damage. */
            if (!stream->flowing)
                result = BOARD_RESYNC;
            stream->passed += step;
            at += step;
        }
        worst = board_result_worse(worst, result);
    }
    stream->used -= at;
    memmove(stream->bytes, stream->bytes + at, stream->used);
    return worst;
}

enum board_result packet_stream_consume(struct packet_stream *stream, const uint8_t *bytes,
                                        size_t count) {
    enum board_result worst = BOARD_NEED_MORE;
    while (count) {
        size_t part = stream->room - stream->used;
        if (part > count)
            part = count;
        memcpy(stream->bytes + stream->used, bytes, part);
        stream->used += part;
        bytes += part;
        count -= part;
        worst = board_result_worse(worst, take_buffered(stream));
    }
    return worst;
}

void packet_stream_free(struct packet_stream *stream) {
    if (!stream)
        return;
    free(stream->counts);
    free(stream);
}
