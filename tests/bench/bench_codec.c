// SPDX-License-Identifier: Apache-2.0
/*
 * bench_codec.c - the codec beside zlib on the same samples, 16 bits each, in blocks of a second.
 *
 * Processor time, the median of several rounds; every decoded block is compared with the original.
 * The generated signals say what the codec does with each shape; recordings say what that is worth.
 */
#include "bench.h"
#include "codec.h"

#include <errno.h>
#include <math.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <zlib.h>

#define TURN 6.283185307179586

enum { ROUNDS = 5, SECONDS = 20 };

struct signal {
    const char *name;
    size_t count, block; /* samples in all, and in a block */
    int32_t *samples;
};

/* ---- signals ---- */

static uint64_t random_state = 0x9E3779B97F4A7C15u;

static double uniform(void) {
    random_state ^= random_state << 13;
    random_state ^= random_state >> 7;
    random_state ^= random_state << 17;
    return (double)(random_state >> 11) * 0x1p-53;
}

static double gauss(void) {
    return sqrt(-2 * log(1 - uniform())) * cos(TURN * uniform());
}

/* Counts at a time in seconds; volts of a 12-bit board unless said. */
static double idle_battery(double t) {
    return 2610 + 2 * sin(TURN * 0.05 * t) + 1.2 * gauss();
}
static double quiet_feed(double t) {
    return 4092.2 - 0.1 * sin(TURN * 0.02 * t) + 0.25 * gauss();
}
static double cranking(double t) {
    double strokes = fabs(sin(TURN * 3.5 * t));
    return 1950 + 90 * strokes + 30 * exp(-0.5 * t) + 1.5 * gauss();
}
static double hall(double t) {
    double angle = t * 3.3 + 0.02 * sin(TURN * 7 * t); /* turns: 198 rpm, uneven */
    double tooth = angle * 60;
    bool gap = fmod(tooth, 60) >= 58;
    bool high = gap || tooth - floor(tooth) < 0.5;
    return (high ? 4080 : 33) + 1.3 * gauss();
}
static double inductive(double t) {
    double angle = t * 3.3 + 0.02 * sin(TURN * 7 * t);
    return 2048 + 700 * sin(TURN * 60 * angle) + 1.5 * gauss();
}
static double current_clamp(double t) { /* 16 bits, a noisy clamp */
    return 30000 + 9000 * fabs(sin(TURN * 3.5 * t)) + 25 * gauss();
}

static const struct shape {
    const char *name;
    double (*at)(double t);
    unsigned rate;
} shapes[] = {
    {"battery, idle, 250/s", idle_battery, 250}, {"battery, idle, 2000/s", idle_battery, 2000},
    {"battery, idle", idle_battery, 10000},      {"feed, quiet", quiet_feed, 10000},
    {"battery, cranking", cranking, 10000},      {"hall, 60-2, cranking", hall, 10000},
    {"inductive, cranking", inductive, 10000},   {"starter current, 16 bit", current_clamp, 10000},
};
enum { SHAPES = sizeof shapes / sizeof shapes[0] };

static bool generate(const struct shape *shape, struct signal *signal) {
    *signal = (struct signal){
        .name = shape->name, .count = (size_t)SECONDS * shape->rate, .block = shape->rate};
    signal->samples = malloc(signal->count * sizeof *signal->samples);
    if (!signal->samples)
        return false;
    for (size_t i = 0; i < signal->count; i++)
        signal->samples[i] = (int32_t)lrint(shape->at((double)i / shape->rate));
    return true;
}

/* The second column in its steps of 40 mV; 10,000 samples a second. */
static bool load(const char *folder, const char *name, struct signal *signal) {
    char path[4096];
    snprintf(path, sizeof path, "%s/%s.csv", folder, name);
    FILE *file = fopen(path, "r");
    if (!file) {
        fprintf(stderr, "%s: %s\n", path, strerror(errno));
        return false;
    }
    *signal = (struct signal){.name = name, .block = 10000};
    size_t room = 0;
    char line[256];
    while (fgets(line, sizeof line, file)) {
        char *comma = strchr(line, ',');
        char *end = comma;
        double volts = comma ? strtod(comma + 1, &end) : 0;
        if (!comma || end == comma + 1)
            continue;
        if (signal->count == room) {
            room = room ? 2 * room : 65536;
            int32_t *grown = realloc(signal->samples, room * sizeof *grown);
            if (!grown)
                break;
            signal->samples = grown;
        }
        signal->samples[signal->count++] = (int32_t)lrint(volts / 0.04);
    }
    fclose(file);
    return signal->count > 0;
}

/* ---- measuring ---- */

struct measured {
    size_t bytes;
    double encode_s, decode_s;
};

struct method {
    const char *name;
    bool zlib;
    int level; /* of zlib, or the codec's effort */
};

static const struct method methods[] = {{"full", false, CODEC_FULL},
                                        {"fast", false, CODEC_FAST},
                                        {"zlib -1", true, 1},
                                        {"zlib -6", true, 6}};
enum { METHODS = sizeof methods / sizeof methods[0] };

/* Room for a round: all blocks coded, one after the other, and where each ends. */
struct bench {
    struct codec_work *work;
    const struct signal *signal;
    int16_t *raw; /* the samples as 16 bits */
    uint8_t *coded;
    size_t room;
    size_t *ends;
    int32_t *decoded;
};

static size_t encode_block(const struct bench *bench, const struct method *method, size_t from,
                           size_t count, uint8_t *to, size_t room) {
    if (!method->zlib)
        return codec_encode(bench->work, bench->signal->samples + from, count,
                            (enum codec_effort)method->level, to);
    uLongf length = room;
    if (compress2(to, &length, (const Bytef *)(bench->raw + from), 2 * count, method->level) !=
        Z_OK)
        return 0;
    return length;
}

static bool decode_block(const struct bench *bench, const struct method *method,
                         const uint8_t *coded, size_t length, size_t from, size_t count) {
    const struct signal *signal = bench->signal;
    if (!method->zlib)
        return codec_decode(bench->work, coded, length, bench->decoded, count) == 0 &&
               memcmp(bench->decoded, signal->samples + from, count * sizeof *bench->decoded) == 0;
    uLongf size = 2 * count;
    return uncompress((Bytef *)bench->decoded, &size, coded, length) == Z_OK && size == 2 * count &&
           memcmp(bench->decoded, bench->raw + from, size) == 0;
}

static bool measure(struct bench *bench, const struct method *method, struct measured *measured) {
    const struct signal *signal = bench->signal;
    double encode_s[ROUNDS];
    double decode_s[ROUNDS];
    for (int round = 0; round < ROUNDS; round++) {
        double begin = bench_cpu_s();
        size_t at = 0;
        size_t block = 0;
        for (size_t from = 0; from < signal->count; from += signal->block, block++) {
            size_t left = signal->count - from;
            at += encode_block(bench, method, from, left < signal->block ? left : signal->block,
                               bench->coded + at, bench->room - at);
            bench->ends[block] = at;
        }
        encode_s[round] = bench_cpu_s() - begin;
        begin = bench_cpu_s();
        for (size_t i = 0; i < block; i++) {
            size_t coded_from = i ? bench->ends[i - 1] : 0;
            size_t left = signal->count - i * signal->block;
            if (!decode_block(bench, method, bench->coded + coded_from, bench->ends[i] - coded_from,
                              i * signal->block, left < signal->block ? left : signal->block)) {
                fprintf(stderr, "%s, %s: block %zu came back wrong\n", signal->name, method->name,
                        i);
                return false;
            }
        }
        decode_s[round] = bench_cpu_s() - begin;
        measured->bytes = at;
    }
    measured->encode_s = bench_median(encode_s, ROUNDS);
    measured->decode_s = bench_median(decode_s, ROUNDS);
    return true;
}

static bool measure_all(struct codec_work *work, const struct signal *signal,
                        struct measured measured[METHODS]) {
    size_t blocks = signal->count / signal->block + 1;
    struct bench bench = {.work = work, .signal = signal};
    bench.room = blocks * (codec_bound(signal->block) + compressBound(2 * signal->block));
    bench.raw = malloc(signal->count * sizeof *bench.raw);
    bench.coded = malloc(bench.room);
    bench.ends = malloc(blocks * sizeof *bench.ends);
    bench.decoded = malloc(signal->block * sizeof *bench.decoded);
    bool done = bench.raw && bench.coded && bench.ends && bench.decoded;
    for (size_t i = 0; done && i < signal->count; i++)
        bench.raw[i] = (int16_t)(uint16_t)signal->samples[i];
    for (size_t i = 0; done && i < METHODS; i++)
        done = measure(&bench, &methods[i], &measured[i]);
    free(bench.decoded);
    free(bench.ends);
    free(bench.coded);
    free(bench.raw);
    return done;
}

/* ---- printing ---- */

static void print_table(const struct signal *signal, const struct measured measured[METHODS]) {
    double megabytes = 2e-6 * (double)signal->count;
    printf("%s: %zu samples in blocks of %zu\n", signal->name, signal->count, signal->block);
    printf("  %-8s %6s %12s %12s %12s %12s %12s\n", "", "ratio", "bits/sample", "encode MB/s",
           "ns/sample", "decode MB/s", "ns/sample");
    for (size_t i = 0; i < METHODS; i++) {
        const struct measured *m = &measured[i];
        printf("  %-8s %6.2f %12.3f %12.0f %12.1f %12.0f %12.1f\n", methods[i].name,
               2 * (double)signal->count / (double)m->bytes,
               8 * (double)m->bytes / (double)signal->count, megabytes / m->encode_s,
               1e9 * m->encode_s / (double)signal->count, megabytes / m->decode_s,
               1e9 * m->decode_s / (double)signal->count);
    }
}

static void print_json(const struct signal *signal, const struct measured measured[METHODS],
                       bool first) {
    double megabytes = 2e-6 * (double)signal->count;
    printf("%s\n  {\"signal\":\"%s\",\"samples\":%zu,\"block\":%zu,\"methods\":[", first ? "" : ",",
           signal->name, signal->count, signal->block);
    for (size_t i = 0; i < METHODS; i++)
        printf("%s\n    {\"method\":\"%s\",\"bytes\":%zu,\"ratio\":%.3f,\"encode_mb_per_s\":%.1f,"
               "\"decode_mb_per_s\":%.1f}",
               i ? "," : "", methods[i].name, measured[i].bytes,
               2 * (double)signal->count / (double)measured[i].bytes,
               megabytes / measured[i].encode_s, megabytes / measured[i].decode_s);
    printf("]}");
}

static int run_signal(struct codec_work *work, struct signal *signal, bool json, bool *first) {
    struct measured measured[METHODS];
    bool done = measure_all(work, signal, measured);
    if (done && json)
        print_json(signal, measured, *first);
    else if (done)
        print_table(signal, measured);
    *first = false;
    free(signal->samples);
    return done ? 0 : 1;
}

static int run(struct codec_work *work, const char *folder, bool json) {
    static const char *const recordings[] = {"analog-60-2-steady", "analog-60-2-runup"};
    int result = 0;
    bool first = true;
    struct signal signal;
    if (json)
        printf("{\"schema\":\"cranktrap.bench-codec/1\",\"raw_bits\":16,\"signals\":[");
    for (size_t i = 0; i < SHAPES; i++)
        if (!generate(&shapes[i], &signal) || run_signal(work, &signal, json, &first) != 0)
            result = 1;
    for (size_t i = 0; folder && i < sizeof recordings / sizeof recordings[0]; i++)
        if (!load(folder, recordings[i], &signal) || run_signal(work, &signal, json, &first) != 0)
            result = 1;
    if (json)
        printf("]}\n");
    else if (!folder)
        printf("No recordings: name their folder with --data.\n");
    return result;
}

int bench_codec(int argc, char **argv) {
    bool json = false;
    const char *folder = NULL;
    for (int i = 1; i < argc; i++) {
        if (strcmp(argv[i], "--json") == 0)
            json = true;
        else if (strcmp(argv[i], "--data") == 0 && i + 1 < argc)
            folder = argv[++i];
        else {
            fprintf(stderr, "usage: cranktrap-bench codec [--json] [--data FOLDER]\n");
            return 2;
        }
    }
    struct codec_work *work;
    if (codec_work_new(&work) != 0)
        return 1;
    int result = run(work, folder, json);
    codec_work_free(work);
    return result;
}
