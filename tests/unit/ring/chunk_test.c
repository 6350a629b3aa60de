// SPDX-License-Identifier: Apache-2.0
/*
 * chunk_test.c - chunks to bytes and back; no damaged one is taken for sound.
 */
#include "chunk.h"
#include "codec.h"
#include "record.h"
#include "recording_helper.h"

#include <errno.h>
#include <math.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>
#include <zlib.h>

static const uint8_t magic[4] = {0xC7, 'C', 'T', '\n'};

static const struct chunk_place place = {
    .stream = 3, .epoch = 70000, .first_scan = 0x0102030405060708u};

/* The chunk as a file of this number would hold it, in memory of exactly its size. */
static uint8_t *sealed(const struct chunk *chunk, uint32_t sequence) {
    uint8_t *bytes = malloc(chunk->length);
    assert_non_null(bytes);
    uint8_t front[CHUNK_FRONT_MAX];
    size_t size = chunk_seal(chunk, sequence, 0xF11E, front);
    memcpy(bytes, front, size);
    memcpy(bytes + size, chunk->bytes + size, chunk->length - size);
    return bytes;
}

/* Seals, parses, and compares what every chunk has; the bytes, which `parsed` points into. */
static uint8_t *there_and_back(const struct chunk *chunk, struct chunk *parsed) {
    uint8_t *bytes = sealed(chunk, 12);
    uint32_t sequence = 0;
    assert_int_equal(chunk_parse(bytes, chunk->length, parsed, &sequence), chunk->length);
    assert_int_equal(sequence, 12);
    assert_int_equal(parsed->type, chunk->type);
    assert_int_equal(parsed->length, chunk->length);
    assert_int_equal(parsed->place.stream, chunk->place.stream);
    assert_int_equal(parsed->place.epoch, chunk->place.epoch);
    assert_true(parsed->place.first_scan == chunk->place.first_scan);
    assert_int_equal(parsed->scans, chunk->scans);
    assert_true(parsed->from_ns == chunk->from_ns && parsed->to_ns == chunk->to_ns);
    size_t length = 0;
    uint64_t file = 0;
    assert_true(chunk_header(bytes, chunk->length, &length, &file));
    assert_int_equal(length, chunk->length);
    assert_int_equal(file, 0xF11E);
    return bytes;
}

static struct chunk make_block(void) {
    const uint8_t *coded[] = {(const uint8_t *)"\0abcd", (const uint8_t *)"\1",
                              (const uint8_t *)"xyz"};
    const size_t lengths[] = {5, 1, 3};
    struct chunk chunk;
    assert_int_equal(chunk_block(&chunk, &place, 500, 3, coded, lengths), 0);
    chunk.from_ns = -5;
    chunk.to_ns = INT64_MAX;
    return chunk;
}

static void blocks(void **state) {
    (void)state;
    struct chunk chunk = make_block();
    struct chunk parsed;
    uint8_t *bytes = there_and_back(&chunk, &parsed);
    size_t inputs = 0;
    assert_int_equal(chunk_block_inputs(&parsed, &inputs), 0);
    assert_int_equal(inputs, 3);
    const char *const expected[] = {"\0abcd", "\1", "xyz"};
    const size_t lengths[] = {5, 1, 3};
    for (size_t i = 0; i < 3; i++) {
        const uint8_t *coded;
        size_t length;
        assert_int_equal(chunk_block_input(&parsed, i, &coded, &length), 0);
        assert_int_equal(length, lengths[i]);
        assert_memory_equal(coded, expected[i], length);
    }
    const uint8_t *coded = NULL;
    size_t length = 99;
    assert_int_equal(chunk_block_input(&parsed, 3, &coded, &length), -EINVAL);
    assert_null(coded);
    assert_int_equal(length, 99);
    free(bytes);
    chunk_done(&chunk);
    assert_null(chunk.bytes);
    chunk_done(&chunk);
    chunk_done(NULL);
}

static void losses(void **state) {
    (void)state;
    const uint64_t counts[] = {1, 1000000000000u, RECORD_LOSS_UNKNOWN};
    for (size_t i = 0; i < 3; i++) {
        struct chunk chunk;
        struct chunk parsed;
        assert_int_equal(chunk_loss(&chunk, &place, counts[i], i ? "disk too slow" : ""), 0);
        uint8_t *bytes = there_and_back(&chunk, &parsed);
        uint64_t scans;
        const char *reason;
        size_t length;
        assert_int_equal(chunk_parse_loss(&parsed, &scans, &reason, &length), 0);
        assert_true(scans == counts[i]);
        assert_int_equal(length, i ? 13 : 0);
        assert_memory_equal(reason, "disk too slow", length);
        assert_int_equal(chunk_block_inputs(&parsed, &length), -EBADMSG);
        free(bytes);
        chunk_done(&chunk);
    }
}

static void clocks(void **state) {
    (void)state;
    const struct chunk_clock clock = {.place = place,
                                      .elapsed_ns = 123456789012345,
                                      .wall_ns = -1,
                                      .rate_hz = 9999.87,
                                      .error_ns = 1500.5,
                                      .boot = "0123456789abcde"};
    struct chunk chunk;
    struct chunk parsed;
    assert_int_equal(chunk_clock_make(&chunk, &clock), 0);
    uint8_t *bytes = there_and_back(&chunk, &parsed);
    struct chunk_clock read = {0};
    assert_int_equal(chunk_parse_clock(&parsed, &read), 0);
    assert_true(read.elapsed_ns == clock.elapsed_ns && read.wall_ns == clock.wall_ns);
    assert_true(read.rate_hz == clock.rate_hz && read.error_ns == clock.error_ns);
    assert_memory_equal(read.boot, clock.boot, 16);
    assert_true(read.place.first_scan == place.first_scan && read.place.epoch == place.epoch);
    free(bytes);
    chunk_done(&chunk);
}

/* A rate that is none would put scans anywhere. */
static void impossible_clocks_are_refused(void **state) {
    (void)state;
    const double rates[] = {0, -1, (double)NAN, (double)INFINITY};
    for (size_t i = 0; i < 4; i++) {
        const struct chunk_clock clock = {.place = place, .rate_hz = rates[i]};
        struct chunk chunk;
        struct chunk_clock read = {.rate_hz = 7};
        assert_int_equal(chunk_clock_make(&chunk, &clock), 0);
        assert_int_equal(chunk_parse_clock(&chunk, &read), -EBADMSG);
        assert_true(read.rate_hz == 7);
        chunk_done(&chunk);
    }
}

static void texts_and_ends(void **state) {
    (void)state;
    const enum chunk_type types[] = {CHUNK_HEAD, CHUNK_MARK};
    struct chunk chunk;
    struct chunk parsed;
    uint8_t *bytes;
    for (size_t i = 0; i < 2; i++) {
        assert_int_equal(chunk_text(&chunk, types[i],
                                    "{\"unit\":\"\xC2\xB0"
                                    "C\"}",
                                    42),
                         0);
        assert_int_equal(chunk.from_ns, 42);
        bytes = there_and_back(&chunk, &parsed);
        const char *json;
        size_t length;
        assert_int_equal(chunk_parse_text(&parsed, &json, &length), 0);
        assert_int_equal(length, 14);
        assert_memory_equal(json,
                            "{\"unit\":\"\xC2\xB0"
                            "C\"}",
                            length);
        free(bytes);
        chunk_done(&chunk);
    }
    assert_int_equal(chunk_text(&chunk, CHUNK_BLOCK, "{}", 0), -EINVAL);
    assert_int_equal(chunk_end(&chunk), 0);
    bytes = there_and_back(&chunk, &parsed);
    assert_int_equal(chunk.length, CHUNK_HEADER_SIZE);
    free(bytes);
    chunk_done(&chunk);
}

static void impossible_blocks_are_refused(void **state) {
    (void)state;
    const uint8_t *coded[1] = {(const uint8_t *)"abc"};
    size_t length = 3;
    struct chunk chunk = {.scans = 77};
    assert_int_equal(chunk_block(&chunk, &place, 0, 1, coded, &length), -EINVAL);
    assert_int_equal(chunk_block(&chunk, &place, CODEC_SAMPLES_MAX + 1, 1, coded, &length),
                     -EINVAL);
    assert_int_equal(chunk_block(&chunk, &place, 1, 0, coded, &length), -EINVAL);
    length = 0;
    assert_int_equal(chunk_block(&chunk, &place, 1, 1, coded, &length), -EINVAL);
    length = CHUNK_PAYLOAD_MAX;
    assert_int_equal(chunk_block(&chunk, &place, 1, 1, coded, &length), -EMSGSIZE);
    assert_int_equal(chunk.scans, 77);
}

static void every_flipped_bit_is_seen(void **state) {
    (void)state;
    struct chunk chunk = make_block();
    uint8_t *bytes = sealed(&chunk, 12);
    for (size_t bit = 0; bit < 8 * chunk.length; bit++) {
        struct chunk parsed = {.scans = 77};
        uint32_t sequence = 5;
        bytes[bit / 8] ^= (uint8_t)(1u << bit % 8);
        assert_int_equal(chunk_parse(bytes, chunk.length, &parsed, &sequence), -EBADMSG);
        assert_int_equal(parsed.scans, 77);
        assert_int_equal(sequence, 5);
        bytes[bit / 8] ^= (uint8_t)(1u << bit % 8);
    }
    free(bytes);
    chunk_done(&chunk);
}

static void a_part_is_not_the_whole(void **state) {
    (void)state;
    struct chunk chunk = make_block();
    uint8_t *bytes = sealed(&chunk, 12);
    for (size_t count = 0; count < chunk.length; count++) {
        uint8_t *part = malloc(count ? count : 1);
        assert_non_null(part);
        memcpy(part, bytes, count);
        struct chunk parsed;
        uint32_t sequence;
        assert_int_equal(chunk_parse(part, count, &parsed, &sequence), 0);
        free(part);
    }
    free(bytes);
    chunk_done(&chunk);
}

/* Puts both check sums right again after a change. The offsets are those of docs/format.md. */
static void sum_up(uint8_t *bytes, size_t length) {
    uint32_t payload = (uint32_t)crc32(0, bytes + 32, (uInt)(length - 32));
    for (int i = 0; i < 4; i++)
        bytes[24 + i] = (uint8_t)(payload >> (8 * i));
    uint32_t header = (uint32_t)crc32(0, bytes, 28);
    for (int i = 0; i < 4; i++)
        bytes[28 + i] = (uint8_t)(header >> (8 * i));
}

/* What a later program may put behind it is none of ours. */
static void a_reason_ends_at_a_zero_byte(void **state) {
    (void)state;
    struct chunk chunk, parsed;
    uint32_t sequence;
    uint64_t scans;
    const char *reason;
    size_t length;
    assert_int_equal(chunk_loss(&chunk, &place, 7, "disk too slow"), 0);
    uint8_t *bytes = sealed(&chunk, 3);
    bytes[chunk.length - 5] = '\0';
    sum_up(bytes, chunk.length);
    assert_int_equal(chunk_parse(bytes, chunk.length, &parsed, &sequence), chunk.length);
    assert_int_equal(chunk_parse_loss(&parsed, &scans, &reason, &length), 0);
    assert_int_equal(length, 8);
    assert_memory_equal(reason, "disk too", 8);
    free(bytes);
    chunk_done(&chunk);
}

static void newer_ones_are_told_apart(void **state) {
    (void)state;
    struct chunk chunk = make_block();
    struct chunk parsed;
    uint32_t sequence;
    uint8_t *bytes = sealed(&chunk, 12);
    bytes[4] = CHUNK_VERSION + 1;
    sum_up(bytes, chunk.length);
    assert_int_equal(chunk_parse(bytes, chunk.length, &parsed, &sequence), -EPROTO);
    bytes[4] = CHUNK_VERSION;
    bytes[7] = 1; /* a binding flag nobody knows */
    sum_up(bytes, chunk.length);
    assert_int_equal(chunk_parse(bytes, chunk.length, &parsed, &sequence), -EPROTO);
    bytes[7] = 0;
    bytes[6] = 0xFF; /* flags that may be ignored */
    sum_up(bytes, chunk.length);
    assert_int_equal(chunk_parse(bytes, chunk.length, &parsed, &sequence), chunk.length);
    bytes[5] = 200; /* a type nobody knows is sound, to be skipped */
    sum_up(bytes, chunk.length);
    assert_int_equal(chunk_parse(bytes, chunk.length, &parsed, &sequence), chunk.length);
    assert_int_equal(parsed.type, 200);
    free(bytes);
    chunk_done(&chunk);
}

/* Sound sums over nonsense: a hostile or a broken writer. */
static void contradictions_are_refused(void **state) {
    (void)state;
    struct chunk chunk = make_block();
    const struct {
        size_t at;
        uint8_t value;
    } changes[] = {{34, 0},    {34, 4}, {34, 2}, {35, 0xFF}, {48, 0},
                   {50, 0xFF}, {72, 6}, {72, 4}, {75, 0xFF}, {76, 0}};
    for (size_t i = 0; i < sizeof changes / sizeof changes[0]; i++) {
        uint8_t *bytes = sealed(&chunk, 12);
        bytes[changes[i].at] = changes[i].value;
        if (changes[i].at == 48) /* scans: 0 */
            bytes[49] = 0;
        sum_up(bytes, chunk.length);
        struct chunk parsed;
        uint32_t sequence;
        assert_int_equal(chunk_parse(bytes, chunk.length, &parsed, &sequence), -EBADMSG);
        free(bytes);
    }
    chunk_done(&chunk);
    /* Payloads too short for their type. */
    for (unsigned type = CHUNK_HEAD; type <= CHUNK_END; type++) {
        if (type == 6)
            continue; /* no longer written */
        uint8_t bytes[CHUNK_HEADER_SIZE] = {0xC7, 'C', 'T', '\n', CHUNK_VERSION, (uint8_t)type};
        sum_up(bytes, sizeof bytes);
        struct chunk parsed;
        uint32_t sequence;
        assert_int_equal(chunk_parse(bytes, sizeof bytes, &parsed, &sequence),
                         type == CHUNK_END ? CHUNK_HEADER_SIZE : -EBADMSG);
    }
}

static void the_next_chunk_is_found(void **state) {
    (void)state;
    uint8_t bytes[64];
    memset(bytes, 0xC7, sizeof bytes);
    assert_int_equal(chunk_find(bytes, 0), 0);
    for (size_t at = 0; at <= 60; at++) {
        memset(bytes, 0xC7, sizeof bytes);
        memcpy(bytes + at, magic, sizeof magic);
        assert_int_equal(chunk_find(bytes, sizeof bytes), at);
    }
    /* One that may begin at the very end. */
    memset(bytes, 0, sizeof bytes);
    assert_int_equal(chunk_find(bytes, sizeof bytes), sizeof bytes);
    bytes[63] = 0xC7;
    assert_int_equal(chunk_find(bytes, sizeof bytes), 63);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(blocks),
        cmocka_unit_test(losses),
        cmocka_unit_test(clocks),
        cmocka_unit_test(impossible_clocks_are_refused),
        cmocka_unit_test(texts_and_ends),
        cmocka_unit_test(impossible_blocks_are_refused),
        cmocka_unit_test(every_flipped_bit_is_seen),
        cmocka_unit_test(a_part_is_not_the_whole),
        cmocka_unit_test(a_reason_ends_at_a_zero_byte),
        cmocka_unit_test(newer_ones_are_told_apart),
        cmocka_unit_test(contradictions_are_refused),
        cmocka_unit_test(the_next_chunk_is_found),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
