// SPDX-License-Identifier: Apache-2.0
/*
 * container_format_test.c - docs/format.md says what the program does: its worked example is read
 * by the program, and files of the program by a second reader that was written from the page alone.
 */
#include "codec.h"
#include "container.h"
#include "recording_helper.h"

#include <ctype.h>
#include <math.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

/* The fenced text behind "<!-- example: NAME -->" of the page; free it. */
static char *example(const char *name) {
    size_t size;
    char *page = (char *)recording_file(CRANKTRAP_SOURCE "/docs/format.md", &size);
    page[size] = '\0'; /* recording_file leaves room for it */
    char mark[64];
    snprintf(mark, sizeof mark, "<!-- example: %s -->\n```\n", name);
    const char *begin = strstr(page, mark);
    assert_non_null(begin);
    begin += strlen(mark);
    const char *end = strstr(begin, "```");
    assert_non_null(end);
    char *text = strndup(begin, (size_t)(end - begin));
    free(page);
    return text;
}

static size_t example_bytes(const char *name, uint8_t *bytes, size_t room) {
    char *text = example(name);
    size_t count = 0;
    for (char *at = text; *at;) {
        if (isspace((unsigned char)*at)) {
            at++;
            continue;
        }
        assert_true(count < room);
        unsigned byte;
        assert_int_equal(sscanf(at, "%2x", &byte), 1);
        bytes[count++] = (uint8_t)byte;
        at += 2;
    }
    free(text);
    return count;
}

static size_t example_samples(int32_t *samples, size_t room) {
    char *text = example("samples");
    size_t count = 0;
    for (char *at = text, *end;; at = end) {
        long value = strtol(at, &end, 10);
        if (end == at)
            break;
        assert_true(count < room);
        samples[count++] = (int32_t)value;
    }
    free(text);
    return count;
}

static void the_coded_example(void **state) {
    (void)state;
    int32_t samples[64];
    int32_t decoded[64];
    uint8_t coded[128];
    assert_int_equal(example_samples(samples, 64), 48);
    size_t length = example_bytes("coded", coded, sizeof coded);
    assert_int_equal(length, 28);
    struct codec_work *work;
    assert_int_equal(codec_work_new(&work), 0);
    assert_int_equal(codec_decode(work, coded, length, decoded, 48), 0);
    assert_memory_equal(decoded, samples, 48 * sizeof *samples);
    codec_work_free(work);
}

/* Input 0 is constant, input 1 the samples of the page. */
static void check_example_block(const struct chunk *chunk) {
    int32_t samples[64];
    int32_t decoded[64];
    example_samples(samples, 64);
    struct codec_work *work;
    assert_int_equal(codec_work_new(&work), 0);
    assert_int_equal(chunk->scans, 48);
    assert_int_equal(chunk->place.stream, 1);
    assert_int_equal(chunk->place.epoch, 2);
    assert_int_equal(chunk->place.first_scan, 96);
    for (size_t input = 0; input < 2; input++) {
        const uint8_t *coded;
        size_t length;
        assert_int_equal(chunk_block_input(chunk, input, &coded, &length), 0);
        assert_int_equal(codec_decode(work, coded, length, decoded, 48), 0);
        for (size_t i = 0; i < 48; i++)
            assert_int_equal(decoded[i], input ? samples[i] : 2600);
    }
    codec_work_free(work);
}

static void the_example_file(void **state) {
    (void)state;
    static const enum chunk_type types[] = {CHUNK_HEAD, CHUNK_CLOCK, CHUNK_BLOCK,
                                            CHUNK_LOSS, CHUNK_HEAD,  CHUNK_END};
    uint8_t bytes[1024];
    size_t size = example_bytes("file", bytes, sizeof bytes);
    char *folder = recording_folder();
    recording_write_file(folder, "example.crank", bytes, size);
    char path[256];
    snprintf(path, sizeof path, "%s/example.crank", folder);
    char text[256];
    assert_int_equal(container_verify(path, text, sizeof text), CONTAINER_WHOLE);
    struct container_reader *reader;
    assert_int_equal(container_open(path, &reader), 0);
    const struct container_entry *entries;
    assert_int_equal(container_entries(reader, &entries), 6);
    for (size_t i = 0; i < 6; i++)
        assert_int_equal(entries[i].type, types[i]);
    struct chunk chunk;
    struct chunk_clock clock;
    uint64_t scans;
    const char *reason;
    size_t length;
    assert_int_equal(container_read(reader, 1, &chunk), 0);
    assert_int_equal(chunk_parse_clock(&chunk, &clock), 0);
    assert_true(clock.rate_hz == 48);
    chunk_done(&chunk);
    assert_int_equal(container_read(reader, 2, &chunk), 0);
    check_example_block(&chunk);
    chunk_done(&chunk);
    assert_int_equal(container_read(reader, 3, &chunk), 0);
    assert_int_equal(chunk_parse_loss(&chunk, &scans, &reason, &length), 0);
    assert_int_equal(scans, 6);
    assert_int_equal(length, strlen("packet lost"));
    assert_memory_equal(reason, "packet lost", length);
    chunk_done(&chunk);
    container_reader_free(reader);
    recording_folder_remove(folder);
}

/* ---- the second reader ---- */

static uint32_t random_state = 12345;

static double noise(void) {
    double sum = 0;
    for (int i = 0; i < 12; i++) {
        random_state = random_state * 1664525u + 1013904223u;
        sum += random_state * 0x1p-32;
    }
    return sum - 6;
}

/* Signals that bring out every predictor, both codecs, one state and two. */
enum { KINDS = 10 };
static int32_t signal_at(int kind, size_t i) {
    double n = (double)i;
    switch (kind) {
    case 0:
        return (int32_t)lrint(2600 + noise());
    case 1:
        return (int32_t)lrint((i / 20 % 2 ? 4000 : 30) + noise());
    case 2:
        return (int32_t)lrint(2000 + 900 * sin(0.1 * n) + noise());
    case 3:
        return (int32_t)lrint(1000 * noise());
    case 4:
        return (int32_t)lrint(7 * n + 0.6 * noise());
    case 5:
        return i % 50 == 7 ? -6 : -5;
    case 6:
        return (int32_t)((uint32_t)(i * i) * 77777u);
    case 7:
        return i % 2 ? INT32_MAX : INT32_MIN;
    case 8:
        return (int32_t)lrint(2e9 * sin(0.01 * n));
    default:
        return 42;
    }
}

/* Writes a block of every kind, and beside it what the second reader has to print. */
static void write_blocks(const char *path, const char *expected_path) {
    static const uint32_t lengths[] = {1, 2, 700, 2048, 2049, 3000};
    struct container_writer *writer;
    FILE *expected = fopen(expected_path, "w");
    assert_non_null(expected);
    assert_int_equal(container_create(path, "{}", &writer), 0);
    fprintf(expected, "chunk 0 1 10\n");
    struct codec_work *work;
    assert_int_equal(codec_work_new(&work), 0);
    int32_t *samples = malloc(3000 * sizeof *samples);
    uint8_t *coded = malloc(codec_bound(3000));
    assert_non_null(samples);
    assert_non_null(coded);
    for (int kind = 0; kind < KINDS; kind++) {
        for (size_t k = 0; k < sizeof lengths / sizeof lengths[0]; k++) {
            struct chunk_place place = {.stream = 1, .epoch = (uint32_t)kind, .first_scan = k};
            fprintf(expected, "block 1 %d %zu 0", kind, k);
            for (size_t i = 0; i < lengths[k]; i++) {
                samples[i] = signal_at(kind, i);
                fprintf(expected, " %d", samples[i]);
            }
            fprintf(expected, "\n");
            size_t length = codec_encode(work, samples, lengths[k], CODEC_FULL, coded);
            struct chunk chunk;
            assert_int_equal(
                chunk_block(&chunk, &place, lengths[k], 1, &(const uint8_t *){coded}, &length), 0);
            assert_int_equal(container_append(writer, &chunk), 0);
            chunk_done(&chunk);
        }
    }
    fprintf(expected, "chunk %d 1 10\nchunk %d 7 0\n", KINDS * 6 + 1, KINDS * 6 + 2);
    assert_int_equal(container_close(writer, true), 0);
    assert_int_equal(fclose(expected), 0);
    free(coded);
    free(samples);
    codec_work_free(work);
}

static void a_second_reader_agrees(void **state) {
    (void)state;
    if (system("python3 -c 'import zlib' >/dev/null 2>&1") != 0) {
        print_message("not run: there is no python3\n");
        skip();
    }
    char *folder = recording_folder();
    char path[256];
    char expected_path[256];
    char command[2048];
    snprintf(path, sizeof path, "%s/blocks.crank", folder);
    snprintf(expected_path, sizeof expected_path, "%s/expected", folder);
    write_blocks(path, expected_path);
    snprintf(command, sizeof command, "python3 '%s/tests/format/reader.py' '%s' > '%s/read'",
             CRANKTRAP_SOURCE, path, folder);
    assert_int_equal(system(command), 0);
    snprintf(command, sizeof command, "cmp '%s' '%s/read'", expected_path, folder);
    assert_int_equal(system(command), 0);
    recording_folder_remove(folder);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_coded_example),
        cmocka_unit_test(the_example_file),
        cmocka_unit_test(a_second_reader_agrees),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
