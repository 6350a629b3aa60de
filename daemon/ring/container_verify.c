// SPDX-License-Identifier: Apache-2.0
/*
 * container_verify.c - a container file judged whole, every block decoded, in one plain sentence.
 */
#include "codec.h"
#include "container.h"

#include <errno.h>
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct tally {
    size_t chunks, blocks;
    size_t readable;     /* blocks */
    uint64_t lost;       /* chunks known to be gone, by their numbers or a torn tail */
    uint64_t unreadable; /* offset of the first block that does not decode */
    size_t unreadable_count;
};

/* Decodes every input of a block: 0 or a negative errno. */
static int decode_block(struct codec_work *work, const struct chunk *chunk, int32_t *samples) {
    size_t inputs;
    int error = chunk_block_inputs(chunk, &inputs);
    for (size_t i = 0; !error && i < inputs; i++) {
        const uint8_t *coded;
        size_t length;
        error = chunk_block_input(chunk, i, &coded, &length);
        if (!error)
            error = codec_decode(work, coded, length, samples, chunk->scans);
    }
    return error;
}

static int check_block(struct container_reader *reader, size_t index, struct codec_work *work,
                       int32_t *samples) {
    struct chunk chunk;
    int error = container_read(reader, index, &chunk);
    if (error)
        return error;
    error = decode_block(work, &chunk, samples);
    chunk_done(&chunk);
    return error;
}

/* Chunks known to be gone: numbers up to the highest that are not there; one in a torn tail. */
static uint64_t count_lost(const struct container_reader *reader) {
    const struct container_entry *entries;
    size_t count = container_entries(reader, &entries);
    const struct container_damage *damages;
    size_t damage_count = container_damages(reader, &damages);
    uint64_t due = 0;
    uint64_t end = 0;
    for (size_t i = 0; i < count; i++) {
        if (entries[i].sequence >= due)
            due = (uint64_t)entries[i].sequence + 1;
        end = entries[i].offset + entries[i].length;
    }
    bool torn = damage_count && damages[damage_count - 1].offset >= end;
    return (due > count ? due - count : 0) + torn;
}

static int take_stock(struct container_reader *reader, struct tally *tally) {
    const struct container_entry *entries;
    size_t count = container_entries(reader, &entries);
    struct codec_work *work = NULL;
    int32_t *samples = malloc(CODEC_SAMPLES_MAX * sizeof *samples);
    int error = samples ? codec_work_new(&work) : -ENOMEM;
    if (error)
        goto done;
    *tally = (struct tally){.chunks = count, .lost = count_lost(reader)};
    for (size_t i = 0; i < count; i++) {
        if (entries[i].type != CHUNK_BLOCK)
            continue;
        tally->blocks++;
        int checked = check_block(reader, i, work, samples);
        if (checked == -ENOMEM) {
            error = checked;
            goto done;
        }
        if (!checked)
            tally->readable++;
        else if (!tally->unreadable_count++)
            tally->unreadable = entries[i].offset;
    }
done:
    codec_work_free(work);
    free(samples);
    return error;
}

static const char *state_name(enum container_state state) {
    switch (state) {
    case CONTAINER_NEWER:
        return "partly of a newer format";
    case CONTAINER_TRUNCATED:
        return "truncated";
    case CONTAINER_IO_ERROR:
        return "not readable throughout (I/O error)";
    default:
        return "corrupt";
    }
}

static void describe(const struct container_reader *reader, enum container_state state,
                     const struct tally *tally, char *text, size_t size) {
    const struct container_damage *damages;
    size_t damage_count = container_damages(reader, &damages);
    char readable[96];
    uint64_t all = tally->blocks + tally->lost;
    snprintf(readable, sizeof readable, "%zu of %s%" PRIu64 " block%s can be read", tally->readable,
             tally->lost ? "at most " : "", all, all == 1 ? "" : "s");
    if (state == CONTAINER_WHOLE)
        snprintf(text, size, "whole: %zu block%s, %zu chunks", tally->blocks,
                 tally->blocks == 1 ? "" : "s", tally->chunks);
    else if (damage_count) {
        char more[40] = "";
        if (damage_count > 1)
            snprintf(more, sizeof more, ", and %zu more places", damage_count - 1);
        snprintf(text, size, "%s at byte %" PRIu64 " (%s, %" PRIu64 " bytes%s): %s",
                 state_name(state), damages[0].offset, damages[0].what, damages[0].length, more,
                 readable);
    } else if (tally->unreadable_count)
        snprintf(text, size, "%s at byte %" PRIu64 " (a block does not decode): %s",
                 state_name(state), tally->unreadable, readable);
    else
        snprintf(text, size,
                 "%s: it ends between two chunks without its closing one, interrupted or still "
                 "being written: %s",
                 state_name(state), readable);
}

const char *container_why_foreign(const char *path) {
    uint8_t header[CHUNK_HEADER_SIZE] = {0};
    uint64_t number;
    size_t length, got = 0;
    FILE *file = fopen(path, "re");
    if (file) {
        got = fread(header, 1, sizeof header, file);
        (void)fclose(file);
    }
    if (chunk_header(header, got, &length, &number) && header[CHUNK_AT_VERSION] < CHUNK_VERSION)
        return "was written before the format was settled (version 0): have the cranktrap that "
               "wrote it `convert` it to CSV, and `import` that";
    return "was written by a newer cranktrap: read it with that one, or a newer one still";
}

static enum container_state refuse(const char *path, int error, char *text, size_t size) {
    switch (error) {
    case -EMEDIUMTYPE:
        snprintf(text, size, "not ours: no chunk of a container anywhere in it");
        return CONTAINER_NOT_OURS;
    case -EPROTO:
        snprintf(text, size, "of another version: it %s", container_why_foreign(path));
        return CONTAINER_NEWER;
    default:
        snprintf(text, size, "cannot be read: %s", strerror(-error));
        return CONTAINER_IO_ERROR;
    }
}

enum container_state container_verify(const char *path, char *text, size_t size) {
    struct container_reader *reader;
    int error = container_open(path, &reader);
    if (error)
        return refuse(path, error, text, size);
    struct tally tally;
    error = take_stock(reader, &tally);
    if (error) {
        container_reader_free(reader);
        return refuse(path, error, text, size);
    }
    enum container_state state = container_state(reader);
    if (tally.unreadable_count && (state == CONTAINER_WHOLE || state == CONTAINER_TRUNCATED))
        state = CONTAINER_CORRUPT;
    describe(reader, state, &tally, text, size);
    container_reader_free(reader);
    return state;
}
