// SPDX-License-Identifier: Apache-2.0
/*
 * container_test.c - a file of several streams, tortured: flipped, cut, zeroed, spliced. Never a
 * crash, never wrong data taken for right, every intact chunk still read.
 */
#include "codec.h"
#include "container.h"
#include "recording_helper.h"

#include <errno.h>
#include <fcntl.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>
#include <zlib.h>

/* The file under torture, and the original it is made from. */
static struct {
    char *folder;
    char path[256];
    int fd; /* of the file at `path`, to change it in place */
    uint8_t *bytes;
    size_t size;
    struct container_entry *entries; /* of the original */
    size_t count;
    struct codec_work *work;
} torture;

static void append(struct container_writer *writer, struct chunk chunk) {
    uint64_t before = container_size(writer);
    assert_int_equal(container_append(writer, &chunk), 0);
    assert_int_equal(container_size(writer), before + chunk.length);
    chunk_done(&chunk);
}

/* Two streams, three epochs, a known and an unknown loss, clocks, marks. */
static void write_original(const char *path, bool whole) {
    struct container_writer *writer;
    assert_int_equal(container_create(path, "{\"software\":\"a test\",\"streams\":[]}", &writer),
                     0);
    append(writer, recording_clock(0, 1, 0, RECORDING_S, 1, 1000, 7));
    append(writer, recording_clock(1, 1, 0, RECORDING_S, 1, 200, 7));
    append(writer, recording_block(0, 1, 0, 60));
    append(writer, recording_block(1, 1, 0, 12));
    append(writer, recording_mark("{\"mark\":\"cranking\"}", 5 * RECORDING_S));
    append(writer, recording_block(0, 1, 60, 60));
    append(writer, recording_loss(0, 1, 120, 30, "packet lost"));
    append(writer, recording_block(0, 1, 150, 60));
    append(writer, recording_block(1, 1, 12, 12));
    append(writer, recording_loss(0, 1, 210, RECORD_LOSS_UNKNOWN, "board went away"));
    append(writer, recording_clock(0, 2, 0, 2 * RECORDING_S, 2, 1000, 7));
    append(writer, recording_block(0, 2, 0, 60));
    append(writer, recording_block(1, 1, 24, 1));
    append(writer, recording_block(0, UINT32_MAX, UINT64_C(1) << 40, 60));
    assert_int_equal(container_sync(writer), 0);
    assert_int_equal(container_close(writer, whole), 0);
}

static struct container_reader *open_it(void) {
    struct container_reader *reader = NULL;
    assert_int_equal(container_open(torture.path, &reader), 0);
    return reader;
}

static int set_up(void **state) {
    (void)state;
    torture.folder = recording_folder();
    snprintf(torture.path, sizeof torture.path, "%s/torture.crank", torture.folder);
    write_original(torture.path, true);
    torture.bytes = recording_file(torture.path, &torture.size);
    torture.fd = open(torture.path, O_RDWR | O_CLOEXEC);
    struct container_reader *reader = open_it();
    const struct container_entry *entries;
    torture.count = container_entries(reader, &entries);
    torture.entries = malloc(torture.count * sizeof *entries);
    if (torture.fd < 0 || !torture.entries)
        return -1;
    memcpy(torture.entries, entries, torture.count * sizeof *entries);
    container_reader_free(reader);
    return codec_work_new(&torture.work);
}

static int tear_down(void **state) {
    (void)state;
    codec_work_free(torture.work);
    close(torture.fd);
    free(torture.entries);
    free(torture.bytes);
    recording_folder_remove(torture.folder);
    return 0;
}

/* The file now holds exactly these bytes. */
static void put(const uint8_t *bytes, size_t size) {
    assert_int_equal(ftruncate(torture.fd, (off_t)size), 0);
    assert_int_equal(pwrite(torture.fd, bytes, size, 0), size);
}

static uint8_t *copy(size_t room) {
    uint8_t *bytes = calloc(1, torture.size + room + 1);
    assert_non_null(bytes);
    memcpy(bytes, torture.bytes, torture.size);
    return bytes;
}

/* Every sample of a block as it was recorded at that place. */
static void check_block(const struct chunk *chunk) {
    size_t inputs;
    int32_t samples[64];
    assert_in_range(chunk->scans, 1, 64);
    assert_int_equal(chunk_block_inputs(chunk, &inputs), 0);
    assert_int_equal(inputs, recording_inputs(chunk->place.stream));
    for (size_t input = 0; input < inputs; input++) {
        const uint8_t *coded;
        size_t length;
        assert_int_equal(chunk_block_input(chunk, input, &coded, &length), 0);
        assert_int_equal(codec_decode(torture.work, coded, length, samples, chunk->scans), 0);
        for (uint32_t i = 0; i < chunk->scans; i++)
            assert_int_equal(samples[i], recording_sample(chunk->place.stream, chunk->place.epoch,
                                                          input, chunk->place.first_scan + i));
    }
}

/* The original's entry with the same number; every chunk read must be it, to the byte. */
static const struct container_entry *original(uint32_t sequence) {
    assert_true(sequence < torture.count);
    return &torture.entries[sequence];
}

/*
 * Opens the file as it is now. Whatever is read must be of the original; `intact` tells which of
 * its chunks must be there. `min` and `max`: the states that may be told.
 */
static void check_file(const bool *intact, enum container_state min, enum container_state max) {
    bool seen[64] = {false};
    struct container_reader *reader = open_it();
    const struct container_entry *entries;
    size_t count = container_entries(reader, &entries);
    for (size_t i = 0; i < count; i++) {
        const struct container_entry *as_written = original(entries[i].sequence);
        struct chunk chunk;
        assert_int_equal(container_read(reader, i, &chunk), 0);
        assert_int_equal(chunk.length, as_written->length);
        assert_memory_equal(chunk.bytes, torture.bytes + as_written->offset, chunk.length);
        if (chunk.type == CHUNK_BLOCK)
            check_block(&chunk);
        chunk_done(&chunk);
        seen[entries[i].sequence] = true;
    }
    for (size_t i = 0; i < torture.count; i++)
        if (intact[i] && !seen[i])
            fail_msg("chunk %zu was intact and is not read", i);
    const struct container_damage *damages;
    size_t damage_count = container_damages(reader, &damages);
    struct stat status;
    assert_int_equal(fstat(torture.fd, &status), 0);
    for (size_t i = 0; i < damage_count; i++) {
        assert_true(damages[i].offset + damages[i].length <= (uint64_t)status.st_size);
        assert_in_range(strlen(damages[i].what), 4, 40);
    }
    assert_in_range(container_state(reader), min, max);
    container_reader_free(reader);
}

static void check_verify(enum container_state expected, const char *sentence) {
    char text[256] = "";
    assert_int_equal(container_verify(torture.path, text, sizeof text), expected);
    if (!strstr(text, sentence))
        fail_msg("\"%s\" does not say \"%s\"", text, sentence);
}

/* All chunks outside [from, to). */
static void all_but(bool *intact, uint64_t from, uint64_t to) {
    for (size_t i = 0; i < torture.count; i++)
        intact[i] = torture.entries[i].offset + torture.entries[i].length <= from ||
                    torture.entries[i].offset >= to;
}

/* ---- as it should be ---- */

static void a_whole_file(void **state) {
    (void)state;
    put(torture.bytes, torture.size);
    assert_int_equal(torture.count, 17); /* head, 14 chunks, head again, END */
    uint64_t at = 0;
    for (size_t i = 0; i < torture.count; i++) {
        assert_int_equal(torture.entries[i].offset, at);
        assert_int_equal(torture.entries[i].sequence, i);
        at += torture.entries[i].length;
    }
    assert_int_equal(at, torture.size);
    assert_int_equal(torture.entries[0].type, CHUNK_HEAD);
    assert_int_equal(torture.entries[15].type, CHUNK_HEAD);
    assert_int_equal(torture.entries[16].type, CHUNK_END);
    const struct container_entry *block = &torture.entries[3];
    assert_int_equal(block->type, CHUNK_BLOCK);
    assert_int_equal(block->scans, 60);
    assert_int_equal(block->to_ns, 60 * RECORDING_MS);
    struct container_reader *reader = open_it();
    const struct container_damage *damages;
    assert_int_equal(container_damages(reader, &damages), 0);
    assert_true(container_ended(reader));
    struct chunk chunk;
    assert_int_equal(container_read(reader, torture.count, &chunk), -EINVAL);
    container_reader_free(reader);
    bool all[64] = {false};
    all_but(all, torture.size, torture.size);
    check_file(all, CONTAINER_WHOLE, CONTAINER_WHOLE);
    check_verify(CONTAINER_WHOLE, "whole: 8 blocks");
    container_reader_free(NULL);
    assert_int_equal(container_close(NULL, true), 0);
}

static void an_existing_file_is_left_alone(void **state) {
    (void)state;
    put(torture.bytes, torture.size);
    struct container_writer *writer = NULL;
    assert_int_equal(container_create(torture.path, "{}", &writer), -EEXIST);
    assert_null(writer);
    check_verify(CONTAINER_WHOLE, "whole");
    assert_int_equal(container_create("/tmp/no/such/folder/x.ring", "{}", &writer), -ENOENT);
}

/* Killed, or still being written: no END, nothing wrong with what is there. */
static void an_open_end(void **state) {
    (void)state;
    size_t without = (size_t)torture.entries[15].offset;
    put(torture.bytes, without);
    struct container_reader *reader = open_it();
    const struct container_damage *damages;
    assert_int_equal(container_damages(reader, &damages), 0);
    assert_false(container_ended(reader));
    assert_int_equal(container_state(reader), CONTAINER_TRUNCATED);
    container_reader_free(reader);
    check_verify(CONTAINER_TRUNCATED, "8 of 8 blocks can be read");
}

/* ---- torture ---- */

static void every_byte_flipped(void **state) {
    (void)state;
    bool intact[64] = {false};
    put(torture.bytes, torture.size);
    for (size_t at = 0; at < torture.size; at++) {
        uint8_t flipped = torture.bytes[at] ^ (uint8_t)(1u << at % 8);
        assert_int_equal(pwrite(torture.fd, &flipped, 1, (off_t)at), 1);
        all_but(intact, at, at + 1);
        check_file(intact, CONTAINER_CORRUPT, CONTAINER_CORRUPT);
        assert_int_equal(pwrite(torture.fd, torture.bytes + at, 1, (off_t)at), 1);
    }
    check_verify(CONTAINER_WHOLE, "whole");
}

static void every_length(void **state) {
    (void)state;
    bool intact[64] = {false};
    put(torture.bytes, torture.size);
    for (size_t length = torture.size; length-- > 0;) {
        assert_int_equal(ftruncate(torture.fd, (off_t)length), 0);
        all_but(intact, length, torture.size);
        check_file(intact, CONTAINER_TRUNCATED, CONTAINER_TRUNCATED);
    }
}

static void every_zeroed_tail(void **state) {
    (void)state;
    bool intact[64] = {false};
    for (size_t from = 0; from + 8 <= torture.size; from++) {
        uint8_t *bytes = copy(0);
        memset(bytes + from, 0, torture.size - from);
        put(bytes, torture.size);
        all_but(intact, from, torture.size);
        /* Where the bytes zeroed were zeros before, nothing is wrong: a chunk ends in them. */
        check_file(intact, CONTAINER_TRUNCATED, CONTAINER_TRUNCATED);
        free(bytes);
    }
}

static void garbage_tails(void **state) {
    (void)state;
    bool intact[64] = {false};
    uint32_t noise = 1;
    for (size_t extra = 1; extra < 200; extra++) {
        uint8_t *bytes = copy(extra);
        for (size_t i = 0; i < extra; i++) {
            noise = noise * 1664525u + 1013904223u;
            bytes[torture.size + i] = (uint8_t)(noise >> 24) | 1;
        }
        bytes[torture.size] = 'x';
        put(bytes, torture.size + extra);
        all_but(intact, torture.size, torture.size);
        check_file(intact, CONTAINER_CORRUPT, CONTAINER_CORRUPT);
        check_verify(CONTAINER_CORRUPT, "no chunk here");
        /* The same after a cut in the middle of a chunk. */
        size_t cut = (size_t)torture.entries[9].offset + 40;
        memmove(bytes + cut, bytes + torture.size, extra);
        put(bytes, cut + extra);
        all_but(intact, cut, torture.size);
        check_file(intact, CONTAINER_TRUNCATED, CONTAINER_CORRUPT);
        free(bytes);
    }
}

/* A stretch overwritten, anywhere, of any length. */
static void overwritten_stretches(void **state) {
    (void)state;
    bool intact[64] = {false};
    uint32_t noise = 1;
    for (int round = 0; round < 400; round++) {
        uint8_t *bytes = copy(0);
        noise = noise * 1664525u + 1013904223u;
        size_t from = (size_t)((uint64_t)noise * torture.size >> 32);
        noise = noise * 1664525u + 1013904223u;
        size_t to = from + 1 + (noise >> 8) % 700;
        to = to < torture.size ? to : torture.size;
        for (size_t i = from; i < to; i++) {
            noise = noise * 1664525u + 1013904223u;
            bytes[i] = round % 3 ? (uint8_t)(noise >> 24) : 0;
        }
        put(bytes, torture.size);
        all_but(intact, from, to);
        if (memcmp(bytes, torture.bytes, torture.size) != 0) {
            struct container_reader *reader = NULL;
            int error = container_open(torture.path, &reader);
            assert_int_equal(error, 0);
            container_reader_free(reader);
            check_file(intact, CONTAINER_TRUNCATED, CONTAINER_CORRUPT);
        }
        free(bytes);
    }
}

/* Bytes cut out: what follows stands elsewhere, and is read all the same. */
static void removed_stretches(void **state) {
    (void)state;
    bool intact[64] = {false};
    for (size_t from = 0; from < torture.size - 1; from += 7) {
        size_t to = from + 1 + from % 90;
        to = to < torture.size ? to : torture.size;
        uint8_t *bytes = copy(0);
        memmove(bytes + from, torture.bytes + to, torture.size - to);
        put(bytes, torture.size - (to - from));
        all_but(intact, from, to);
        check_file(intact, CONTAINER_TRUNCATED, CONTAINER_CORRUPT);
        free(bytes);
    }
}

static void removed_chunks_are_noticed(void **state) {
    (void)state;
    bool intact[64] = {false};
    for (size_t k = 0; k + 1 < torture.count; k++) {
        const struct container_entry *entry = &torture.entries[k];
        uint8_t *bytes = copy(0);
        size_t after = (size_t)entry->offset + entry->length;
        memmove(bytes + entry->offset, bytes + after, torture.size - after);
        put(bytes, torture.size - entry->length);
        all_but(intact, entry->offset, after);
        check_file(intact, CONTAINER_CORRUPT, CONTAINER_CORRUPT);
        check_verify(CONTAINER_CORRUPT, "chunks are missing");
        struct container_reader *reader = open_it();
        const struct container_damage *damages;
        assert_int_equal(container_damages(reader, &damages), 1);
        assert_int_equal(damages[0].offset, entry->offset);
        assert_int_equal(damages[0].length, 0);
        container_reader_free(reader);
        free(bytes);
    }
}

static void swapped_chunks_are_noticed(void **state) {
    (void)state;
    bool all[64] = {false};
    all_but(all, torture.size, torture.size);
    for (size_t k = 0; k + 1 < torture.count; k++) {
        const struct container_entry *first = &torture.entries[k];
        const struct container_entry *second = &torture.entries[k + 1];
        uint8_t *bytes = copy(0);
        memcpy(bytes + first->offset, torture.bytes + second->offset, second->length);
        memcpy(bytes + first->offset + second->length, torture.bytes + first->offset,
               first->length);
        put(bytes, torture.size);
        check_file(all, CONTAINER_CORRUPT, CONTAINER_CORRUPT);
        check_verify(CONTAINER_CORRUPT, "chunks are missing");
        free(bytes);
    }
}

/* Chunks of an older file in the same disk blocks: sound, and not this file's. */
static void chunks_of_another_file(void **state) {
    (void)state;
    bool intact[64] = {false};
    char path[512];
    snprintf(path, sizeof path, "%s/other.crank", torture.folder);
    write_original(path, true);
    size_t size;
    uint8_t *other = recording_file(path, &size);
    assert_int_equal(size, torture.size);
    size_t from = (size_t)torture.entries[6].offset;
    size_t to = (size_t)torture.entries[8].offset;
    memcpy(other, torture.bytes, from);
    memcpy(other + to, torture.bytes + to, size - to);
    put(other, size);
    all_but(intact, from, to);
    check_file(intact, CONTAINER_CORRUPT, CONTAINER_CORRUPT);
    check_verify(CONTAINER_CORRUPT, "of another file");
    free(other);
}

/* The first head is lost with the first sector; its copy at the end still tells what is what. */
static void the_head_is_there_twice(void **state) {
    (void)state;
    uint8_t *bytes = copy(0);
    memset(bytes, 0, 64);
    put(bytes, torture.size);
    struct container_reader *reader = open_it();
    const struct container_entry *entries;
    size_t count = container_entries(reader, &entries);
    size_t heads = 0;
    for (size_t i = 0; i < count; i++)
        heads += entries[i].type == CHUNK_HEAD;
    assert_int_equal(heads, 1);
    assert_int_equal(container_state(reader), CONTAINER_CORRUPT);
    container_reader_free(reader);
    free(bytes);
}

/* ---- files of others ---- */

static int open_error(const void *bytes, size_t size) {
    put(bytes, size);
    struct container_reader *reader = NULL;
    int error = container_open(torture.path, &reader);
    container_reader_free(reader);
    return error;
}

static void files_that_are_not_ours(void **state) {
    (void)state;
    const char *const texts[] = {"time_s,battery\n0,12.6\n", "\x89PNG\r\n\x1a\n", "x",
                                 "\xC7\x43U\n"};
    for (size_t i = 0; i < 4; i++) {
        assert_int_equal(open_error(texts[i], strlen(texts[i])), -EMEDIUMTYPE);
        check_verify(CONTAINER_NOT_OURS, "not ours");
    }
    uint8_t *big = malloc(3 << 20);
    assert_non_null(big);
    memset(big, 0xC7, 3 << 20);
    assert_int_equal(open_error(big, 3 << 20), -EMEDIUMTYPE);
    free(big);
    /* An empty file and one of zeros are what a power cut leaves of ours. */
    uint8_t zeros[5000] = {0};
    assert_int_equal(open_error(zeros, 0), 0);
    check_verify(CONTAINER_TRUNCATED, "0 of 0 blocks");
    assert_int_equal(open_error(zeros, sizeof zeros), 0);
    check_verify(CONTAINER_TRUNCATED, "zeros");

    struct container_reader *reader = NULL;
    assert_int_equal(container_open("/tmp/no-such-file.crank", &reader), -ENOENT);
    assert_int_equal(container_open(torture.folder, &reader), -EISDIR);
    assert_null(reader);
    char text[256];
    assert_int_equal(container_verify(torture.folder, text, sizeof text), CONTAINER_IO_ERROR);
}

/* Puts both check sums of the chunk at `bytes` right. */
static void sum_up(uint8_t *bytes, size_t length) {
    uint32_t payload = (uint32_t)crc32(0, bytes + 32, (uInt)(length - 32));
    for (int i = 0; i < 4; i++)
        bytes[24 + i] = (uint8_t)(payload >> (8 * i));
    uint32_t header = (uint32_t)crc32(0, bytes, 28);
    for (int i = 0; i < 4; i++)
        bytes[28 + i] = (uint8_t)(header >> (8 * i));
}

static void newer_files(void **state) {
    (void)state;
    uint8_t *bytes = copy(0);
    for (size_t i = 0; i < torture.count; i++) {
        bytes[torture.entries[i].offset + 4] = CHUNK_VERSION + 1;
        sum_up(bytes + torture.entries[i].offset, torture.entries[i].length);
    }
    assert_int_equal(open_error(bytes, torture.size), -EPROTO);
    check_verify(CONTAINER_NEWER, "newer");
    free(bytes);
    /* One chunk with a flag that binds: the others are read. */
    bytes = copy(0);
    bytes[torture.entries[4].offset + 7] = 0x80;
    sum_up(bytes + torture.entries[4].offset, torture.entries[4].length);
    put(bytes, torture.size);
    bool intact[64] = {false};
    all_but(intact, torture.entries[4].offset, torture.entries[4].offset + 1);
    check_file(intact, CONTAINER_NEWER, CONTAINER_NEWER);
    check_verify(CONTAINER_NEWER, "newer");
    free(bytes);
}

/* Sound sums over a block no codec makes. */
static void a_block_that_does_not_decode(void **state) {
    (void)state;
    uint8_t *bytes = copy(0);
    const struct container_entry *entry = &torture.entries[5 - 2];
    assert_int_equal(entry->type, CHUNK_BLOCK);
    bytes[entry->offset + entry->length - 1] ^= 0xFF;
    bytes[entry->offset + entry->length - 2] ^= 0xFF;
    sum_up(bytes + entry->offset, entry->length);
    put(bytes, torture.size);
    char where[64];
    snprintf(where, sizeof where, "byte %zu", (size_t)entry->offset);
    check_verify(CONTAINER_CORRUPT, where);
    check_verify(CONTAINER_CORRUPT, "7 of 8 blocks can be read");
    free(bytes);
}

/* Thousands of sound headers, each claiming the rest of the file: an end must come. */
static void nested_headers(void **state) {
    (void)state;
    size_t size = 1 << 20;
    uint8_t *bytes = malloc(size);
    assert_non_null(bytes);
    for (size_t at = 0; at + 32 <= size; at += 32) {
        uint8_t header[32] = {0xC7, 'C', 'T', '\n', CHUNK_VERSION, CHUNK_BLOCK};
        uint32_t claimed = (uint32_t)(size - at - 32);
        for (int i = 0; i < 4; i++)
            header[8 + i] = (uint8_t)(claimed >> (8 * i));
        header[24] = 1;
        uint32_t sum = (uint32_t)crc32(0, header, 28);
        for (int i = 0; i < 4; i++)
            header[28 + i] = (uint8_t)(sum >> (8 * i));
        memcpy(bytes + at, header, 32);
    }
    put(bytes, size);
    struct container_reader *reader = open_it();
    const struct container_entry *entries;
    assert_int_equal(container_entries(reader, &entries), 0);
    container_reader_free(reader);
    free(bytes);
}

/* The file shrinks between the scan and the reading of a chunk. */
static void a_file_that_shrinks(void **state) {
    (void)state;
    put(torture.bytes, torture.size);
    struct container_reader *reader = open_it();
    assert_int_equal(ftruncate(torture.fd, (off_t)torture.entries[3].offset + 20), 0);
    struct chunk chunk;
    assert_int_equal(container_read(reader, 2, &chunk), 0);
    chunk_done(&chunk);
    assert_int_equal(container_read(reader, 3, &chunk), -EBADMSG);
    assert_int_equal(container_read(reader, 9, &chunk), -EBADMSG);
    container_reader_free(reader);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_whole_file),
        cmocka_unit_test(an_existing_file_is_left_alone),
        cmocka_unit_test(an_open_end),
        cmocka_unit_test(every_byte_flipped),
        cmocka_unit_test(every_length),
        cmocka_unit_test(every_zeroed_tail),
        cmocka_unit_test(garbage_tails),
        cmocka_unit_test(overwritten_stretches),
        cmocka_unit_test(removed_stretches),
        cmocka_unit_test(removed_chunks_are_noticed),
        cmocka_unit_test(swapped_chunks_are_noticed),
        cmocka_unit_test(chunks_of_another_file),
        cmocka_unit_test(the_head_is_there_twice),
        cmocka_unit_test(files_that_are_not_ours),
        cmocka_unit_test(newer_files),
        cmocka_unit_test(a_block_that_does_not_decode),
        cmocka_unit_test(nested_headers),
        cmocka_unit_test(a_file_that_shrinks),
    };
    return cmocka_run_group_tests(tests, set_up, tear_down);
}
