// SPDX-License-Identifier: Apache-2.0
/*
 * chunk.c - chunks to bytes and back. The layout is docs/format.md's.
 *
 * Two check sums: the header's own says that the length is true, without reading the payload, so
 * that a scanner looking for the next chunk dismisses a chance magic after 32 bytes; the payload's
 * stands inside the header, so the header's covers it too and no bit is left uncovered. A chunk
 * also carries the number of its file: what an older, deleted file left in the same disk blocks
 * has sound check sums and is still not this file's.
 */
#include "chunk.h"

#include "bytes.h"
#include "codec.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <zlib.h>

static const uint8_t magic[4] = {0xC7, 'C', 'T', '\n'};

/* The header. */
enum {
    AT_VERSION = CHUNK_AT_VERSION,
    AT_TYPE = 5,
    AT_FLAGS = 6,
    AT_LENGTH = 8,
    AT_SEQUENCE = 12,
    AT_FILE = 16,
    AT_PAYLOAD_CRC = 24,
    AT_HEADER_CRC = 28,
};

/* Flags a reader must know before it may use the payload; the others are safe to ignore. */
#define FLAGS_BINDING 0xFF00u

/* The payload of a chunk that belongs to a stream begins with its place; offsets in the chunk. */
enum {
    AT_STREAM = CHUNK_HEADER_SIZE,
    AT_INPUTS = AT_STREAM + 2,
    AT_EPOCH = AT_STREAM + 4,
    AT_FIRST_SCAN = AT_STREAM + 8,
    AT_SCANS = AT_STREAM + 16,
    AT_FROM = AT_STREAM + 24,
    AT_TO = AT_STREAM + 32,
    STREAM_FRONT = AT_STREAM + 40,
};
_Static_assert((int)STREAM_FRONT == CHUNK_FRONT_MAX, "CHUNK_FRONT_MAX of chunk.h");

/* HEAD and MARK: the moment, then the text. */
enum { AT_MOMENT = CHUNK_HEADER_SIZE, TEXT_FRONT = AT_MOMENT + 8 };

/* After the place. */
enum { AT_LOST = STREAM_FRONT, AT_REASON = AT_LOST + 8 };
enum {
    AT_ELAPSED = STREAM_FRONT,
    AT_WALL = AT_ELAPSED + 8,
    AT_RATE = AT_ELAPSED + 16,
    AT_ERROR = AT_ELAPSED + 24,
    AT_BOOT = AT_ELAPSED + 32,
    CLOCK_SIZE = AT_BOOT + 16,
};
enum { AT_COVERED = STREAM_FRONT, AT_SPAN = AT_COVERED + 8, SUMMARY_FRONT = AT_SPAN + 4 };
enum { INDEX_ENTRY = 32 };

static uint32_t crc_of(uint32_t crc, const uint8_t *bytes, size_t count) {
    /* zlib counts in unsigned int; a chunk is far smaller. */
    return (uint32_t)crc32(crc, bytes, (uInt)count);
}

static bool is_stream_type(enum chunk_type type) {
    return type == CHUNK_BLOCK || type == CHUNK_LOSS || type == CHUNK_CLOCK ||
           type == CHUNK_SUMMARY;
}

static size_t front_size(enum chunk_type type) {
    if (is_stream_type(type))
        return STREAM_FRONT;
    if (type == CHUNK_HEAD || type == CHUNK_MARK)
        return TEXT_FRONT;
    return CHUNK_HEADER_SIZE;
}

/* ---- making ---- */

static int make(struct chunk *chunk, enum chunk_type type, size_t length) {
    if (length > CHUNK_HEADER_SIZE + CHUNK_PAYLOAD_MAX)
        return -EMSGSIZE;
    uint8_t *bytes = calloc(1, length);
    if (!bytes)
        return -ENOMEM;
    memcpy(bytes, magic, sizeof magic);
    bytes[AT_VERSION] = CHUNK_VERSION;
    bytes[AT_TYPE] = (uint8_t)type;
    bytes_put_u32(bytes + AT_LENGTH, (uint32_t)(length - CHUNK_HEADER_SIZE));
    *chunk = (struct chunk){.type = type, .length = length, .bytes = bytes};
    return 0;
}

static int make_placed(struct chunk *chunk, enum chunk_type type, const struct chunk_place *place,
                       size_t length) {
    int error = make(chunk, type, length);
    if (error)
        return error;
    chunk->place = *place;
    bytes_put_u16(chunk->bytes + AT_STREAM, place->stream);
    bytes_put_u32(chunk->bytes + AT_EPOCH, place->epoch);
    bytes_put_u64(chunk->bytes + AT_FIRST_SCAN, place->first_scan);
    return 0;
}

/* The bytes are a sound chunk from the start, not only in a file. */
static void finish(struct chunk *chunk) {
    uint8_t front[CHUNK_FRONT_MAX];
    size_t size = chunk_seal(chunk, 0, 0, front);
    memcpy(chunk->bytes, front, size);
}

/* The table of lengths at `front`, and behind it the coded bytes, of `count` parts. */
static void put_parts(struct chunk *chunk, size_t front, size_t count, const uint8_t *const *coded,
                      const size_t *coded_length) {
    uint8_t *table = chunk->bytes + front;
    uint8_t *at = table + 4 * count;
    for (size_t i = 0; i < count; i++) {
        bytes_put_u32(table + 4 * i, (uint32_t)coded_length[i]);
        memcpy(at, coded[i], coded_length[i]);
        at += coded_length[i];
    }
}

/* The whole length of such a chunk, 0 where a part is empty, or longer than a chunk can be. */
static size_t parts_length(size_t front, size_t count, const size_t *coded_length) {
    size_t length = front + 4 * count;
    for (size_t i = 0; i < count; i++) {
        if (!coded_length[i])
            return 0;
        if (coded_length[i] > CHUNK_PAYLOAD_MAX)
            return SIZE_MAX;
        length += coded_length[i];
    }
    return length;
}

int chunk_block(struct chunk *chunk, const struct chunk_place *place, uint32_t scans, size_t inputs,
                const uint8_t *const *coded, const size_t *coded_length) {
    if (!scans || scans > CODEC_SAMPLES_MAX || !inputs || inputs > UINT16_MAX)
        return -EINVAL;
    size_t length = parts_length(STREAM_FRONT, inputs, coded_length);
    if (!length)
        return -EINVAL;
    int error = make_placed(chunk, CHUNK_BLOCK, place, length);
    if (error)
        return error;
    chunk->scans = scans;
    bytes_put_u16(chunk->bytes + AT_INPUTS, (uint16_t)inputs);
    bytes_put_u32(chunk->bytes + AT_SCANS, scans);
    put_parts(chunk, STREAM_FRONT, inputs, coded, coded_length);
    finish(chunk);
    return 0;
}

int chunk_summary(struct chunk *chunk, const struct chunk_place *place, uint64_t scans,
                  uint32_t span, size_t inputs, const uint8_t *const *coded,
                  const size_t *coded_length) {
    if (!scans || !span || !inputs || inputs > UINT16_MAX)
        return -EINVAL;
    size_t length = parts_length(SUMMARY_FRONT, CHUNK_SUMMARY_PARTS * inputs, coded_length);
    if (!length)
        return -EINVAL;
    int error = make_placed(chunk, CHUNK_SUMMARY, place, length);
    if (error)
        return error;
    bytes_put_u16(chunk->bytes + AT_INPUTS, (uint16_t)inputs);
    bytes_put_u64(chunk->bytes + AT_COVERED, scans);
    bytes_put_u32(chunk->bytes + AT_SPAN, span);
    put_parts(chunk, SUMMARY_FRONT, CHUNK_SUMMARY_PARTS * inputs, coded, coded_length);
    finish(chunk);
    return 0;
}

int chunk_index(struct chunk *chunk, const struct chunk_index_entry *entry, size_t count) {
    int error = make(chunk, CHUNK_INDEX, CHUNK_HEADER_SIZE + INDEX_ENTRY * count);
    if (error)
        return error;
    uint8_t *at = chunk->bytes + CHUNK_HEADER_SIZE;
    for (size_t i = 0; i < count; i++, at += INDEX_ENTRY) {
        bytes_put_u64(at, entry[i].offset);
        bytes_put_u64(at + 8, (uint64_t)entry[i].from_ns);
        bytes_put_u64(at + 16, (uint64_t)entry[i].to_ns);
        bytes_put_u32(at + 24, entry[i].span);
        bytes_put_u16(at + 28, entry[i].rows);
        bytes_put_u16(at + 30, entry[i].stream);
    }
    finish(chunk);
    return 0;
}

int chunk_loss(struct chunk *chunk, const struct chunk_place *place, uint64_t scans,
               const char *reason) {
    size_t reason_length = strlen(reason);
    if (reason_length > CHUNK_PAYLOAD_MAX)
        return -EMSGSIZE;
    int error = make_placed(chunk, CHUNK_LOSS, place, AT_REASON + reason_length);
    if (error)
        return error;
    bytes_put_u64(chunk->bytes + AT_LOST, scans);
    memcpy(chunk->bytes + AT_REASON, reason, reason_length);
    finish(chunk);
    return 0;
}

int chunk_clock_make(struct chunk *chunk, const struct chunk_clock *clock) {
    int error = make_placed(chunk, CHUNK_CLOCK, &clock->place, CLOCK_SIZE);
    if (error)
        return error;
    chunk->from_ns = clock->elapsed_ns;
    chunk->to_ns = clock->elapsed_ns;
    bytes_put_u64(chunk->bytes + AT_ELAPSED, (uint64_t)clock->elapsed_ns);
    bytes_put_u64(chunk->bytes + AT_WALL, (uint64_t)clock->wall_ns);
    bytes_put_f64(chunk->bytes + AT_RATE, clock->rate_hz);
    bytes_put_f64(chunk->bytes + AT_ERROR, clock->error_ns);
    memcpy(chunk->bytes + AT_BOOT, clock->boot, sizeof clock->boot);
    finish(chunk);
    return 0;
}

int chunk_text(struct chunk *chunk, enum chunk_type type, const char *json, int64_t elapsed_ns) {
    if (type != CHUNK_HEAD && type != CHUNK_MARK)
        return -EINVAL;
    size_t text_length = strlen(json);
    if (text_length > CHUNK_PAYLOAD_MAX)
        return -EMSGSIZE;
    int error = make(chunk, type, TEXT_FRONT + text_length);
    if (error)
        return error;
    chunk->from_ns = elapsed_ns;
    chunk->to_ns = elapsed_ns;
    memcpy(chunk->bytes + TEXT_FRONT, json, text_length);
    finish(chunk);
    return 0;
}

int chunk_end(struct chunk *chunk) {
    int error = make(chunk, CHUNK_END, CHUNK_HEADER_SIZE);
    if (error)
        return error;
    finish(chunk);
    return 0;
}

void chunk_done(struct chunk *chunk) {
    if (!chunk)
        return;
    free(chunk->bytes);
    free(chunk->summary);
    *chunk = (struct chunk){0};
}

size_t chunk_seal(const struct chunk *chunk, uint32_t sequence, uint64_t file, uint8_t *front) {
    size_t size = front_size(chunk->type);
    memcpy(front, chunk->bytes, size);
    if (is_stream_type(chunk->type)) {
        bytes_put_u64(front + AT_FROM, (uint64_t)chunk->from_ns);
        bytes_put_u64(front + AT_TO, (uint64_t)chunk->to_ns);
    } else if (size == TEXT_FRONT) {
        bytes_put_u64(front + AT_MOMENT, (uint64_t)chunk->from_ns);
    }
    bytes_put_u32(front + AT_SEQUENCE, sequence);
    bytes_put_u64(front + AT_FILE, file);
    uint32_t crc = crc_of(0, front + CHUNK_HEADER_SIZE, size - CHUNK_HEADER_SIZE);
    crc = crc_of(crc, chunk->bytes + size, chunk->length - size);
    bytes_put_u32(front + AT_PAYLOAD_CRC, crc);
    bytes_put_u32(front + AT_HEADER_CRC, crc_of(0, front, AT_HEADER_CRC));
    return size;
}

/* ---- parsing ---- */

bool chunk_header(const uint8_t *bytes, size_t count, size_t *length, uint64_t *file) {
    if (count < CHUNK_HEADER_SIZE || memcmp(bytes, magic, sizeof magic) != 0 ||
        bytes_u32(bytes + AT_HEADER_CRC) != crc_of(0, bytes, AT_HEADER_CRC) ||
        bytes_u32(bytes + AT_LENGTH) > CHUNK_PAYLOAD_MAX)
        return false;
    *length = CHUNK_HEADER_SIZE + (size_t)bytes_u32(bytes + AT_LENGTH);
    *file = bytes_u64(bytes + AT_FILE);
    return true;
}

enum chunk_type chunk_header_type(const uint8_t *header) {
    return header[AT_TYPE];
}

size_t chunk_find(const uint8_t *bytes, size_t count) {
    size_t from = 0;
    while (from < count) {
        const uint8_t *found = memchr(bytes + from, magic[0], count - from);
        if (!found)
            return count;
        from = (size_t)(found - bytes);
        size_t left = count - from;
        if (memcmp(found, magic, left < sizeof magic ? left : sizeof magic) == 0)
            return from;
        from++;
    }
    return count;
}

/* Does a table of `count` lengths at `front` add up to the chunk? */
static bool parts_are_sound(const struct chunk *chunk, size_t front, size_t count) {
    if (chunk->length < front || chunk->length - front < 4 * count)
        return false;
    const uint8_t *table = chunk->bytes + front;
    uint64_t length = front + 4 * count;
    for (size_t i = 0; i < count; i++) {
        uint32_t coded = bytes_u32(table + 4 * i);
        if (!coded)
            return false;
        length += coded;
    }
    return length == chunk->length;
}

static bool block_is_sound(const struct chunk *chunk) {
    size_t inputs = bytes_u16(chunk->bytes + AT_INPUTS);
    return inputs && chunk->scans && chunk->scans <= CODEC_SAMPLES_MAX &&
           parts_are_sound(chunk, STREAM_FRONT, inputs);
}

static void find_part(const struct chunk *chunk, size_t front, size_t count, size_t part,
                      const uint8_t **coded, size_t *length) {
    const uint8_t *table = chunk->bytes + front;
    size_t at = front + 4 * count;
    for (size_t i = 0; i < part; i++)
        at += bytes_u32(table + 4 * i);
    *coded = chunk->bytes + at;
    *length = bytes_u32(table + 4 * part);
}

static int parse_stream(struct chunk *chunk) {
    if (chunk->length < STREAM_FRONT)
        return -EBADMSG;
    const uint8_t *bytes = chunk->bytes;
    chunk->place.stream = bytes_u16(bytes + AT_STREAM);
    chunk->place.epoch = bytes_u32(bytes + AT_EPOCH);
    chunk->place.first_scan = bytes_u64(bytes + AT_FIRST_SCAN);
    chunk->from_ns = (int64_t)bytes_u64(bytes + AT_FROM);
    chunk->to_ns = (int64_t)bytes_u64(bytes + AT_TO);
    switch (chunk->type) {
    case CHUNK_BLOCK:
        chunk->scans = bytes_u32(bytes + AT_SCANS);
        return block_is_sound(chunk) ? 0 : -EBADMSG;
    case CHUNK_LOSS:
        return chunk->length >= AT_REASON ? 0 : -EBADMSG;
    case CHUNK_CLOCK:
        return chunk->length >= CLOCK_SIZE ? 0 : -EBADMSG;
    default:
        return 0;
    }
}

static int parse_payload(struct chunk *chunk) {
    if (is_stream_type(chunk->type))
        return parse_stream(chunk);
    if (front_size(chunk->type) == TEXT_FRONT) {
        if (chunk->length < TEXT_FRONT)
            return -EBADMSG;
        chunk->from_ns = (int64_t)bytes_u64(chunk->bytes + AT_MOMENT);
        chunk->to_ns = chunk->from_ns;
    }
    return 0;
}

int64_t chunk_parse(const uint8_t *bytes, size_t count, struct chunk *chunk, uint32_t *sequence) {
    if (count < CHUNK_HEADER_SIZE)
        return memcmp(bytes, magic, count < sizeof magic ? count : sizeof magic) ? -EBADMSG : 0;
    size_t length;
    uint64_t file;
    if (!chunk_header(bytes, count, &length, &file))
        return -EBADMSG;
    if (length > count)
        return 0;
    if (bytes_u32(bytes + AT_PAYLOAD_CRC) !=
        crc_of(0, bytes + CHUNK_HEADER_SIZE, length - CHUNK_HEADER_SIZE))
        return -EBADMSG;
    if (bytes[AT_VERSION] != CHUNK_VERSION || bytes_u16(bytes + AT_FLAGS) & FLAGS_BINDING)
        return -EPROTO;
    /* The parsed chunk only points at the bytes; the struct serves for owned ones too. */
    // NOLINTNEXTLINE(performance-no-int-to-ptr): the way to say that under -Wcast-qual
    uint8_t *shared = (uint8_t *)(uintptr_t)bytes;
    struct chunk parsed = {
        .type = (enum chunk_type)bytes[AT_TYPE], .length = length, .bytes = shared};
    int error = parse_payload(&parsed);
    if (error)
        return error;
    *chunk = parsed;
    *sequence = bytes_u32(bytes + AT_SEQUENCE);
    return (int64_t)length;
}

int chunk_parse_loss(const struct chunk *chunk, uint64_t *scans, const char **reason,
                     size_t *reason_length) {
    if (chunk->type != CHUNK_LOSS || chunk->length < AT_REASON)
        return -EBADMSG;
    *scans = bytes_u64(chunk->bytes + AT_LOST);
    *reason = (const char *)chunk->bytes + AT_REASON;
    *reason_length = strnlen(*reason, chunk->length - AT_REASON);
    return 0;
}

int chunk_parse_clock(const struct chunk *chunk, struct chunk_clock *clock) {
    if (chunk->type != CHUNK_CLOCK || chunk->length < CLOCK_SIZE)
        return -EBADMSG;
    double rate_hz = bytes_f64(chunk->bytes + AT_RATE);
    double error_ns = bytes_f64(chunk->bytes + AT_ERROR);
    if (!isfinite(rate_hz) || rate_hz <= 0 || !isfinite(error_ns) || error_ns < 0)
        return -EBADMSG;
    clock->place = chunk->place;
    clock->elapsed_ns = (int64_t)bytes_u64(chunk->bytes + AT_ELAPSED);
    clock->wall_ns = (int64_t)bytes_u64(chunk->bytes + AT_WALL);
    clock->rate_hz = rate_hz;
    clock->error_ns = error_ns;
    memcpy(clock->boot, chunk->bytes + AT_BOOT, sizeof clock->boot);
    return 0;
}

int chunk_parse_text(const struct chunk *chunk, const char **json, size_t *length) {
    if ((chunk->type != CHUNK_HEAD && chunk->type != CHUNK_MARK) || chunk->length < TEXT_FRONT)
        return -EBADMSG;
    *json = (const char *)chunk->bytes + TEXT_FRONT;
    *length = chunk->length - TEXT_FRONT;
    return 0;
}

int chunk_block_inputs(const struct chunk *chunk, size_t *inputs) {
    if (chunk->type != CHUNK_BLOCK || chunk->length < STREAM_FRONT || !block_is_sound(chunk))
        return -EBADMSG;
    *inputs = bytes_u16(chunk->bytes + AT_INPUTS);
    return 0;
}

int chunk_block_input(const struct chunk *chunk, size_t input, const uint8_t **coded,
                      size_t *length) {
    size_t inputs;
    int error = chunk_block_inputs(chunk, &inputs);
    if (error)
        return error;
    if (input >= inputs)
        return -EINVAL;
    find_part(chunk, STREAM_FRONT, inputs, input, coded, length);
    return 0;
}

int chunk_parse_summary(const struct chunk *chunk, struct chunk_summary_front *front) {
    if (chunk->type != CHUNK_SUMMARY || chunk->length < SUMMARY_FRONT)
        return -EBADMSG;
    struct chunk_summary_front parsed = {
        .inputs = bytes_u16(chunk->bytes + AT_INPUTS),
        .scans = bytes_u64(chunk->bytes + AT_COVERED),
        .span = bytes_u32(chunk->bytes + AT_SPAN),
    };
    if (!parsed.inputs || !parsed.scans || !parsed.span ||
        parsed.scans > UINT64_MAX - chunk->place.first_scan ||
        !parts_are_sound(chunk, SUMMARY_FRONT, CHUNK_SUMMARY_PARTS * parsed.inputs))
        return -EBADMSG;
    *front = parsed;
    return 0;
}

int chunk_summary_column(const struct chunk *chunk, size_t column, const uint8_t **coded,
                         size_t *length) {
    struct chunk_summary_front front;
    int error = chunk_parse_summary(chunk, &front);
    if (error)
        return error;
    if (column >= CHUNK_SUMMARY_PARTS * front.inputs)
        return -EINVAL;
    find_part(chunk, SUMMARY_FRONT, CHUNK_SUMMARY_PARTS * front.inputs, column, coded, length);
    return 0;
}

size_t chunk_index_count(const struct chunk *chunk) {
    return chunk->type == CHUNK_INDEX ? (chunk->length - CHUNK_HEADER_SIZE) / INDEX_ENTRY : 0;
}

struct chunk_index_entry chunk_index_get(const struct chunk *chunk, size_t index) {
    const uint8_t *at = chunk->bytes + CHUNK_HEADER_SIZE + INDEX_ENTRY * index;
    return (struct chunk_index_entry){
        .offset = bytes_u64(at),
        .from_ns = (int64_t)bytes_u64(at + 8),
        .to_ns = (int64_t)bytes_u64(at + 16),
        .span = bytes_u32(at + 24),
        .rows = bytes_u16(at + 28),
        .stream = bytes_u16(at + 30),
    };
}
