// SPDX-License-Identifier: Apache-2.0
/*
 * bench_stages.c - what each stage of the path costs by itself: the packets of the fast board
 * (bench_bulk.h), one stage after the other, each over all of them.
 */
#include "bench.h"
#include "bench_bulk.h"
#include "bench_chain.h"
#include "bench_van.h"
#include "block_builder.h"
#include "byte_ring.h"
#include "codec.h"
#include "summary.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { ROUNDS = 7, PACKETS = 512, BLOCK = 32768 };
#define SCANS   ((size_t)PACKETS * BULK_SCANS)
#define SAMPLES (SCANS * BULK_INPUTS)
#define RATE_HZ 3.75e6

struct fixture {
    struct chain chain; /* only its parts are used, its pipeline never runs */
    struct board *board;
    struct codec_work *work;
    uint8_t *packets;
    int32_t *counts; /* [scan][input], as a driver gives them */
    size_t counted;
    int32_t *by_input[BULK_INPUTS];
    uint8_t *coded;
    struct memory_ring *memory; /* the chain's own has its writer */
    struct block_builder *builder;
    struct intake_clock *clock;
    struct chunk *block; /* each BLOCK scans, coded */
    size_t blocks;
    int64_t at_ns; /* for the detectors: time goes on from round to round */
};

/* ---- the stages ---- */

static void run_byte_ring(struct fixture *fixture) {
    static uint8_t out[BULK_READ];
    struct byte_ring *ring;
    int64_t arrival;
    if (byte_ring_new(1u << 20, &ring) < 0)
        return;
    for (size_t at = 0; at < (size_t)PACKETS * BULK_PACKET; at += BULK_READ) {
        (void)byte_ring_write(ring, fixture->packets + at, BULK_READ, 0);
        (void)byte_ring_read(ring, out, sizeof out, &arrival, 0);
    }
    byte_ring_free(ring);
}

static void on_samples(void *context, const int32_t *counts, size_t scans) {
    struct fixture *fixture = context;
    size_t room = SCANS - fixture->counted;
    scans = scans < room ? scans : room;
    memcpy(fixture->counts + fixture->counted * BULK_INPUTS, counts,
           scans * BULK_INPUTS * sizeof *counts);
    fixture->counted += scans;
}

static void on_loss(void *context, enum board_loss reason, uint64_t scans) {
    (void)context, (void)reason, (void)scans;
}

static void on_note(void *context, enum board_note note, int64_t value) {
    (void)context, (void)note, (void)value;
}

static void run_driver(struct fixture *fixture) {
    const struct board_driver *driver = fixture->chain.hookup->boards[0].driver;
    struct board_bytes request;
    (void)driver->start(fixture->board, &request);
    fixture->counted = 0;
    for (size_t at = 0; at < (size_t)PACKETS * BULK_PACKET; at += BULK_READ)
        (void)driver->consume(fixture->board, fixture->packets + at, BULK_READ);
}

static void run_watch(struct fixture *fixture) {
    const int32_t *counts[BULK_INPUTS];
    for (size_t from = 0; from + 2 * BULK_SCANS <= SCANS; from += 2 * BULK_SCANS) {
        for (size_t input = 0; input < BULK_INPUTS; input++)
            counts[input] = fixture->by_input[input] + from;
        const struct record_run run = {.inputs = BULK_INPUTS,
                                       .scans = 2 * BULK_SCANS,
                                       .counts = counts,
                                       .time_s = (double)fixture->at_ns * 1e-9,
                                       .period_s = 1 / RATE_HZ};
        watch_run(fixture->chain.watch, &run);
        fixture->at_ns += (int64_t)(2 * BULK_SCANS * 1e9 / RATE_HZ);
    }
}

static void run_codec(struct fixture *fixture, enum codec_effort effort) {
    for (size_t from = 0; from + BLOCK <= SCANS; from += BLOCK)
        for (size_t input = 0; input < BULK_INPUTS; input++)
            (void)codec_encode(fixture->work, fixture->by_input[input] + from, BLOCK, effort,
                               fixture->coded);
}

static void run_codec_full(struct fixture *fixture) {
    run_codec(fixture, CODEC_FULL);
}

static void run_codec_fast(struct fixture *fixture) {
    run_codec(fixture, CODEC_FAST);
}

static void run_summary(struct fixture *fixture) {
    const int32_t *counts[BULK_INPUTS];
    for (size_t from = 0; from + BLOCK <= SCANS; from += BLOCK) {
        for (size_t input = 0; input < BULK_INPUTS; input++)
            counts[input] = fixture->by_input[input] + from;
        free(summary_rows_make(counts, BULK_INPUTS, from, BLOCK));
    }
}

/* Scans into blocks by input, and those through the memory ring; codec and summary included. */
static void run_builder(struct fixture *fixture) {
    for (size_t i = 0; i < fixture->blocks; i++)
        chunk_done(&fixture->block[i]);
    fixture->blocks = 0;
    for (size_t scan = 0; scan < SCANS; scan += BULK_SCANS) {
        (void)block_builder_append(fixture->builder, fixture->counts + scan * BULK_INPUTS,
                                   BULK_SCANS, BLOCK);
        if (block_builder_scans(fixture->builder) + BULK_SCANS > BLOCK)
            (void)block_builder_close(fixture->builder, fixture->clock);
    }
    struct chunk chunk = {0};
    while (memory_ring_take(fixture->memory, &chunk, 0))
        fixture->block[fixture->blocks++] = chunk;
}

static void run_disk(struct fixture *fixture) {
    for (size_t i = 0; i < fixture->blocks; i++)
        (void)disk_ring_append(fixture->chain.disk, &fixture->block[i]);
}

/* ---- all ---- */

static const struct stage {
    const char *name;
    void (*run)(struct fixture *fixture);
} stages[] = {
    {"byte ring, in and out", run_byte_ring},
    {"driver usb-bulk: packets to counts", run_driver},
    {"live detectors", run_watch},
    {"codec, full effort", run_codec_full},
    {"codec, fast effort", run_codec_fast},
    {"summary", run_summary},
    {"blocks in memory: by input, codec, summary, chunk", run_builder},
    {"disk ring: sums, copy for rewriting, write", run_disk},
};
enum { STAGES = sizeof stages / sizeof stages[0] };

static int open_fixture(struct fixture *fixture, const char *folder) {
    const struct board_sinks sinks = {fixture, on_samples, on_loss, on_note};
    char lines[4300], why[256];
    if (bulk_board_file(folder, RATE_HZ, lines, sizeof lines) < 0 ||
        chain_open(&fixture->chain, lines) < 0)
        return -1;
    const struct hookup_board *board = &fixture->chain.hookup->boards[0];
    struct board_description description = {0};
    struct problems problems = {0};
    if (board->driver->open(&board->settings, &sinks, &fixture->board, why, sizeof why) < 0 ||
        board->driver->describe(fixture->board, &description) < 0 ||
        hookup_fit_board(fixture->chain.hookup, 0, &description, &problems) < 0 ||
        watch_fitted(fixture->chain.watch, 0) < 0 || codec_work_new(&fixture->work) < 0)
        return -1;
    if (intake_clock_new(RATE_HZ, &fixture->clock) < 0 ||
        memory_ring_new(64u << 20, &fixture->memory) < 0 ||
        block_builder_new(0, fixture->memory, fixture->chain.timebase, &fixture->builder) < 0 ||
        block_builder_set_inputs(fixture->builder, BULK_INPUTS) < 0)
        return -1;
    fixture->packets = malloc((size_t)PACKETS * BULK_PACKET);
    fixture->counts = calloc(SAMPLES, sizeof *fixture->counts);
    fixture->coded = malloc(codec_bound(BLOCK));
    fixture->block = calloc(SCANS / BULK_SCANS + 8, sizeof *fixture->block);
    if (!fixture->packets || !fixture->counts || !fixture->coded || !fixture->block)
        return -1;
    bulk_fill(fixture->packets, PACKETS);
    run_driver(fixture);
    for (size_t input = 0; input < BULK_INPUTS; input++) {
        fixture->by_input[input] = malloc(SCANS * sizeof(int32_t));
        for (size_t scan = 0; fixture->by_input[input] && scan < SCANS; scan++)
            fixture->by_input[input][scan] = fixture->counts[scan * BULK_INPUTS + input];
        if (!fixture->by_input[input])
            return -1;
    }
    return 0;
}

static void close_fixture(struct fixture *fixture) {
    if (fixture->board)
        fixture->chain.hookup->boards[0].driver->close(fixture->board);
    for (size_t i = 0; i < fixture->blocks; i++)
        chunk_done(&fixture->block[i]);
    for (size_t input = 0; input < BULK_INPUTS; input++)
        free(fixture->by_input[input]);
    free(fixture->block);
    free(fixture->coded);
    free(fixture->counts);
    free(fixture->packets);
    codec_work_free(fixture->work);
    intake_clock_free(fixture->clock);
    block_builder_free(fixture->builder);
    memory_ring_free(fixture->memory);
    chain_close(&fixture->chain);
}

/* Of the processor now, in cycles a nanosecond; 0 where the system does not say. */
static double clock_ghz(void) {
    FILE *file = fopen("/proc/cpuinfo", "re");
    char line[256];
    double mhz = 0;
    while (file && mhz == 0 && fgets(line, sizeof line, file)) {
        const char *colon = strchr(line, ':');
        if (strncmp(line, "cpu MHz", 7) == 0 && colon)
            mhz = strtod(colon + 1, NULL);
    }
    if (file)
        (void)fclose(file);
    return mhz / 1000;
}

static void print_stages(const double *ns, bool json) {
    double ghz = clock_ghz();
    printf(json ? "{\"schema\":\"cranktrap.bench-stages/1\",\"ghz\":%.3f,\"stages\":["
                : "stages: one after the other, 16 bits, 8 inputs; cycles of %.2f GHz\n",
           ghz);
    for (int i = 0; i < STAGES; i++) {
        if (json)
            printf("%s{\"stage\":\"%s\",\"ns_per_sample\":%.3f,\"cycles_per_sample\":%.2f}",
                   i ? "," : "", stages[i].name, ns[i], ns[i] * ghz);
        else
            printf("  %-50s %6.2f ns a sample, %6.1f cycles\n", stages[i].name, ns[i], ns[i] * ghz);
    }
    if (json)
        puts("]}");
}

int bench_stages(int argc, char **argv) {
    static struct fixture fixture;
    char folder[4096];
    double ns[STAGES];
    bool json = argc == 2 && strcmp(argv[1], "--json") == 0;
    if (argc > 1 && !json) {
        fprintf(stderr, "usage: cranktrap-bench stages [--json]\n");
        return 2;
    }
    if (van_folder_make(folder, sizeof folder) < 0)
        return 1;
    int result = open_fixture(&fixture, folder);
    for (int i = 0; result == 0 && i < STAGES; i++) {
        double seconds[ROUNDS];
        for (int round = 0; round < ROUNDS; round++) {
            double begin = bench_cpu_s();
            stages[i].run(&fixture);
            seconds[round] = bench_cpu_s() - begin;
        }
        ns[i] = 1e9 * bench_median(seconds, ROUNDS) / (double)SAMPLES;
    }
    close_fixture(&fixture);
    van_folder_remove(folder);
    if (result < 0)
        fprintf(stderr, "cranktrap-bench stages: the stages could not be set up\n");
    else
        print_stages(ns, json);
    return result < 0 ? 1 : 0;
}
