// SPDX-License-Identifier: Apache-2.0
/*
 * bench_report.c - how long a person waits for a report: a failed attempt of the simulated van,
 * 40 s of it around the starter's engagement, opened, analysed and rendered as text on one core.
 * `--long`: ten minutes of it, at 50,000 scans/s.
 */
#include "bench.h"
#include "bench_van.h"
#include "codec.h"
#include "container.h"
#include "head.h"
#include "intake.h"
#include "memory_ring.h"
#include "report.h"
#include "timebase.h"
#include "watch.h"

#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <time.h>

enum { ROUNDS = 5 };

/* What is reported on, and how soon it should be. */
struct task {
    int rate_hz;
    int64_t half_s; /* before and after the engagement */
    const char *hours;
    size_t memory_bytes;
    double aim_s;
};

static const struct task usual = {10000, 20, "0.05", 64 << 20, 0.5};
static const struct task lasting = {50000, 300, "0.2", 1024 << 20, 5.0};

/* The night that is recorded: everything goes into `memory`, whence the record is cut. */
struct night {
    const struct task *task;
    struct hookup *hookup;
    struct timebase *timebase;
    struct memory_ring *memory;
    struct watch *watch;
    struct intake *intake;
    struct head_stream stream;
    _Atomic int64_t engaged_ns; /* the first cranking; 0: none yet */
};

/* The record that is reported on. */
struct made {
    char folder[4096], path[4200];
    int16_t *samples; /* the same samples as 16 bits, for the peers */
    size_t count, room;
};

/* ---- the night ---- */

static void on_run(void *context, const struct record_run *run) {
    struct night *night = context;
    watch_run(night->watch, run);
}

static void on_described(void *context, size_t board, const struct board_description *description) {
    struct night *night = context;
    night->stream.description = *description;
    night->stream.described = true;
    (void)watch_fitted(night->watch, board);
}

static void on_cranking(void *context, bool engaged, int64_t elapsed_ns) {
    struct night *night = context;
    int64_t none = 0;
    if (engaged)
        (void)atomic_compare_exchange_strong(&night->engaged_ns, &none, elapsed_ns);
}

static void on_mark(void *context, const struct watch_mark *mark) {
    (void)context;
    (void)mark;
}

static int night_open(struct night *night) {
    const struct watch_sinks sinks = {night, on_cranking, on_mark};
    const struct intake_tap tap = {night, on_run, NULL, on_described, NULL};
    const struct intake_settings settings = {
        .block_s = 1.0, .urgent_block_s = 0.25, .first_epoch = 1, .byte_ring_s = 1.0};
    const struct task *task = night->task;
    char board[256];
    snprintf(board, sizeof board,
             "driver = sim\nrate = %d\ninputs = 8\npace = free\nhours = %s\nseed = 2\n"
             "attempts = 1\nfault = feed-collapse\nfault-attempt = 1",
             task->rate_hz, task->hours);
    night->stream =
        (struct head_stream){.name = "logger", .driver = "sim", .rate_hz = task->rate_hz};
    night->hookup = van_hookup(board);
    if (!night->hookup || timebase_new(&night->timebase) < 0 ||
        memory_ring_new(task->memory_bytes, &night->memory) < 0 ||
        watch_new(night->hookup, &sinks, &night->watch) < 0)
        return -1;
    return intake_new(night->hookup, night->memory, night->timebase, &tap, &settings,
                      &night->intake);
}

static int night_run(struct night *night) {
    const struct timespec pause = {0, 10000000};
    if (intake_start(night->intake) < 0)
        return -1;
    while (!intake_ended(night->intake))
        nanosleep(&pause, NULL);
    intake_stop(night->intake);
    return atomic_load(&night->engaged_ns) > 0 ? 0 : -1;
}

static void night_close(struct night *night) {
    intake_free(night->intake);
    watch_free(night->watch);
    memory_ring_free(night->memory);
    timebase_free(night->timebase);
    hookup_free(night->hookup);
}

/* ---- the record ---- */

/* Appends a block's samples to those that the peers get. */
static int gather(struct made *made, struct codec_work *work, const struct chunk *chunk) {
    static int32_t samples[CODEC_SAMPLES_MAX];
    size_t more = (size_t)chunk->scans * VAN_INPUTS;
    if (made->count + more > made->room) {
        size_t room = 2 * made->room + more;
        int16_t *grown = realloc(made->samples, room * sizeof *grown);
        if (!grown)
            return -1;
        made->samples = grown;
        made->room = room;
    }
    for (size_t input = 0; input < VAN_INPUTS; input++) {
        const uint8_t *coded;
        size_t length;
        if (chunk_block_input(chunk, input, &coded, &length) < 0 ||
            codec_decode(work, coded, length, samples, chunk->scans) < 0)
            return -1;
        for (size_t i = 0; i < chunk->scans; i++)
            made->samples[made->count++] = (int16_t)samples[i];
    }
    return 0;
}

/* Clocks up to the end, and the blocks around the engagement. */
static int write_chunks(struct night *night, struct made *made, struct codec_work *work,
                        struct container_writer *writer) {
    int64_t engaged = atomic_load(&night->engaged_ns);
    int64_t half = night->task->half_s * 1000000000ll;
    int64_t from = engaged - half;
    int64_t to = engaged + half;
    struct chunk chunk;
    int result = 0;
    while (result == 0 && memory_ring_take(night->memory, &chunk, 0)) {
        bool block = chunk.type == CHUNK_BLOCK && chunk.to_ns > from && chunk.from_ns < to;
        if (block || (chunk.type == CHUNK_CLOCK && chunk.from_ns < to))
            result = container_append(writer, &chunk);
        if (result == 0 && block)
            result = gather(made, work, &chunk);
        chunk_done(&chunk);
    }
    return result;
}

static int write_record(struct night *night, struct made *made) {
    struct container_writer *writer = NULL;
    struct codec_work *work = NULL;
    char *head = NULL;
    snprintf(made->path, sizeof made->path, "%s/0001.crank", made->folder);
    int result = head_format(night->hookup, 1, &night->stream, &head);
    if (result == 0)
        result = codec_work_new(&work);
    if (result == 0)
        result = container_create(made->path, head, &writer);
    if (result == 0)
        result = write_chunks(night, made, work, writer);
    int closed = container_close(writer, result == 0);
    codec_work_free(work);
    free(head);
    return result < 0 ? result : closed;
}

static int make_record(const struct task *task, struct made *made) {
    struct night night = {.task = task};
    int result = night_open(&night);
    if (result == 0)
        result = night_run(&night);
    if (result == 0)
        result = write_record(&night, made);
    night_close(&night);
    return result;
}

/* ---- measuring ---- */

struct measured {
    double cpu_s, wall_s;
    double record_s;
    size_t attempts;
    double file_mb;
    struct bench_peers peers;
};

static double wall_s(void) {
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (double)now.tv_sec + (double)now.tv_nsec * 1e-9;
}

static int report_once(const char *path, FILE *to, struct measured *measured) {
    const struct report_text_settings settings = {.width = 80};
    struct report *report = NULL;
    char why[512] = "";
    if (report_make(path, NULL, NULL, &report, why, sizeof why) < 0) {
        fprintf(stderr, "%s: %s\n", path, why);
        return -1;
    }
    int result = report_text(report, &settings, to);
    measured->attempts = report_analysis(report)->attempt_count;
    report_free(report);
    return result;
}

static int measure(const struct task *task, const struct made *made, struct measured *measured) {
    double cpu[ROUNDS], wall[ROUNDS];
    struct stat status;
    FILE *null = fopen("/dev/null", "we");
    int result = null && stat(made->path, &status) == 0 ? 0 : -1;
    for (int round = 0; result == 0 && round < ROUNDS; round++) {
        double wall_begin = wall_s();
        double cpu_begin = bench_cpu_s();
        result = report_once(made->path, null, measured);
        cpu[round] = bench_cpu_s() - cpu_begin;
        wall[round] = wall_s() - wall_begin;
    }
    if (null)
        fclose(null);
    if (result < 0)
        return -1;
    measured->cpu_s = bench_median(cpu, ROUNDS);
    measured->wall_s = bench_median(wall, ROUNDS);
    measured->record_s = (double)made->count / VAN_INPUTS / task->rate_hz;
    measured->file_mb = (double)status.st_size * 1e-6;
    return bench_peers(made->samples, made->count * sizeof *made->samples,
                       (size_t)task->rate_hz * sizeof *made->samples, &measured->peers);
}

static void print_table(const struct task *task, const struct measured *m) {
    printf("report: %.1f s of %d inputs at %d scans/s, %zu attempt%s, a file of %.2f MB\n",
           m->record_s, VAN_INPUTS, task->rate_hz, m->attempts, m->attempts == 1 ? "" : "s",
           m->file_mb);
    printf("  opened, analysed, rendered as text: %.3f s of one core, %.3f s by the clock "
           "(aim: < %.1f s)\n",
           m->cpu_s, m->wall_s, task->aim_s);
    printf("  a copy of the same samples takes %.4f s, zlib -1 %.3f s: %.0f copies, %.2f x "
           "zlib -1\n",
           m->peers.copy_s, m->peers.zlib_s, m->cpu_s / m->peers.copy_s,
           m->cpu_s / m->peers.zlib_s);
}

static void print_json(const struct task *task, const struct measured *m) {
    printf("{\"schema\":\"cranktrap.bench-report/1\",\"inputs\":%d,\"rate_hz\":%d,"
           "\"record_s\":%.3f,\"attempts\":%zu,\"file_bytes\":%.0f,\"cpu_s\":%.6f,"
           "\"wall_s\":%.6f,\"aim_s\":%.1f,\"copy_s\":%.6f,\"zlib_1_s\":%.6f}\n",
           VAN_INPUTS, task->rate_hz, m->record_s, m->attempts, m->file_mb * 1e6, m->cpu_s,
           m->wall_s, task->aim_s, m->peers.copy_s, m->peers.zlib_s);
}

int bench_report(int argc, char **argv) {
    bool json = false;
    const struct task *task = &usual;
    for (int i = 1; i < argc; i++) {
        if (strcmp(argv[i], "--json") == 0) {
            json = true;
        } else if (strcmp(argv[i], "--long") == 0) {
            task = &lasting;
        } else {
            fprintf(stderr, "usage: cranktrap-bench report [--long] [--json]\n");
            return 2;
        }
    }
    struct made made = {0};
    struct measured measured = {0};
    if (bench_one_core() < 0)
        fprintf(stderr, "cranktrap-bench report: not bound to one core\n");
    if (van_folder_make(made.folder, sizeof made.folder) < 0)
        return 1;
    int result = make_record(task, &made);
    if (result == 0)
        result = measure(task, &made, &measured);
    if (result < 0)
        fprintf(stderr, "cranktrap-bench report: the record could not be made or read\n");
    else if (json)
        print_json(task, &measured);
    else
        print_table(task, &measured);
    free(made.samples);
    van_folder_remove(made.folder);
    return result < 0 ? 1 : 0;
}
