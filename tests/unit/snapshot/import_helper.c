// SPDX-License-Identifier: Apache-2.0
/*
 * import_helper.c - CSV texts through the import, and what is then in the container.
 */
#include "import_helper.h"
#include "cmocka_helper.h"

#include "codec.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static void write_file(const char *path, const char *text, size_t length) {
    FILE *file = fopen(path, "wb");
    assert_non_null(file);
    assert_int_equal(fwrite(text, 1, length, file), length);
    assert_int_equal(fclose(file), 0);
}

void import_run_begin(struct import_run *run, const char *hookup) {
    *run = (struct import_run){0};
    snprintf(run->folder, sizeof run->folder, "/tmp/cranktrap-import-XXXXXX");
    assert_non_null(mkdtemp(run->folder));
    snprintf(run->csv, sizeof run->csv, "%s/in.csv", run->folder);
    snprintf(run->hookup, sizeof run->hookup, "%s/in.hookup", run->folder);
    snprintf(run->out, sizeof run->out, "%s/out.crank", run->folder);
    snprintf(run->part, sizeof run->part, "%s/out.crank.part", run->folder);
    write_file(run->hookup, hookup, strlen(hookup));
}

void import_run_text(struct import_run *run, const char *csv, size_t length) {
    write_file(run->csv, csv, length);
    import_run_file(run);
}

void import_run_file(struct import_run *run) {
    problems_clear(&run->problems);
    run->status = import_csv(run->csv, run->hookup, run->out, NULL, NULL, &run->result,
                             &run->problems, &run->hookup_wrong);
    assert_int_not_equal(access(run->part, F_OK), 0); /* whatever came of it, no .part stays */
}

bool import_run_says(const struct import_run *run, unsigned line, const char *text) {
    for (size_t i = 0; i < run->problems.count; i++)
        if (run->problems.problem[i].line == line && strstr(run->problems.problem[i].text, text))
            return true;
    problems_print(&run->problems, "in.csv", stderr);
    return false;
}

static void take_head(struct import_run *run, const struct chunk *chunk) {
    const char *json;
    size_t length;
    char why[256] = "";
    head_free(run->head); /* it stands at the end again */
    run->head = NULL;
    assert_int_equal(chunk_parse_text(chunk, &json, &length), 0);
    if (head_parse(json, length, &run->head, why, sizeof why) < 0)
        fail_msg("the head: %s", why);
}

static void take_block(struct import_run *run, const struct chunk *chunk, struct codec_work *work) {
    size_t inputs;
    assert_int_equal(chunk_block_inputs(chunk, &inputs), 0);
    uint64_t scans = run->scans + chunk->scans;
    run->inputs = inputs;
    run->counts = realloc(run->counts, scans * inputs * sizeof *run->counts);
    run->scan_index = realloc(run->scan_index, scans * sizeof *run->scan_index);
    int32_t *samples = calloc(chunk->scans, sizeof *samples);
    assert_true(run->counts && run->scan_index && samples);
    for (size_t input = 0; input < inputs; input++) {
        const uint8_t *coded;
        size_t length;
        assert_int_equal(chunk_block_input(chunk, input, &coded, &length), 0);
        assert_int_equal(codec_decode(work, coded, length, samples, chunk->scans), 0);
        for (size_t i = 0; i < chunk->scans; i++)
            run->counts[(run->scans + i) * inputs + input] = samples[i];
    }
    for (size_t i = 0; i < chunk->scans; i++)
        run->scan_index[run->scans + i] = chunk->place.first_scan + i;
    free(samples);
    run->scans = scans;
    run->blocks++;
    if (chunk->scans > run->largest_block)
        run->largest_block = chunk->scans;
}

static void take_loss(struct import_run *run, const struct chunk *chunk) {
    const char *reason;
    size_t length;
    uint64_t scans;
    assert_int_equal(chunk_parse_loss(chunk, &scans, &reason, &length), 0);
    assert_true(run->losses < IMPORT_RUN_LOSSES);
    run->loss[run->losses].first_scan = chunk->place.first_scan;
    run->loss[run->losses].scans = scans;
    run->losses++;
}

void import_run_open(struct import_run *run) {
    if (run->status)
        problems_print(&run->problems, "in.csv", stderr);
    assert_int_equal(run->status, 0);
    assert_int_equal(run->problems.count, 0);
    struct container_reader *reader = NULL;
    struct codec_work *work = NULL;
    assert_int_equal(container_open(run->out, &reader), 0);
    assert_int_equal(codec_work_new(&work), 0);
    assert_int_equal(container_state(reader), CONTAINER_WHOLE);
    assert_true(container_ended(reader));
    const struct container_entry *entries;
    size_t count = container_entries(reader, &entries);
    for (size_t i = 0; i < count; i++) {
        struct chunk chunk;
        assert_int_equal(container_read(reader, i, &chunk), 0);
        if (chunk.type == CHUNK_HEAD)
            take_head(run, &chunk);
        else if (chunk.type == CHUNK_BLOCK)
            take_block(run, &chunk, work);
        else if (chunk.type == CHUNK_LOSS)
            take_loss(run, &chunk);
        else if (chunk.type == CHUNK_CLOCK && run->clocks < IMPORT_RUN_CLOCKS)
            assert_int_equal(chunk_parse_clock(&chunk, &run->clock[run->clocks++]), 0);
        chunk_done(&chunk);
    }
    assert_non_null(run->head);
    codec_work_free(work);
    container_reader_free(reader);
}

void import_run_end(struct import_run *run) {
    head_free(run->head);
    free(run->counts);
    free(run->scan_index);
    problems_clear(&run->problems);
    unlink(run->csv);
    unlink(run->hookup);
    unlink(run->out);
    assert_int_equal(rmdir(run->folder), 0);
}
