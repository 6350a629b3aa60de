// SPDX-License-Identifier: Apache-2.0
/*
 * bench_rates.c - what a sample costs from 1 to 64 channels, at 10 to 20 million samples a second
 * in all, on 1 to 8 boards: processor time of the whole chain, free-running, on one core.
 */
#include "bench.h"
#include "bench_bulk.h"
#include "bench_chain.h"
#include "bench_van.h"
#include "problems.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

enum { FRONT = 8, PACKET_MAX = 8192, PACKETS = 64, FLUSH_MS = 60000, PATIENCE_S = 60 };
#define SAMPLES     4e6   /* of a measurement, */
#define SECONDS_MIN 3.0   /*   but of the boards' time at least, */
#define SECONDS_MAX 900.0 /*   and at most */

static const struct setup {
    const char *sweep;
    unsigned boards, inputs; /* of each board */
    double samples_per_s;    /* of all together */
} setups[] = {
    {"channels", 1, 1, 640e3},  {"channels", 1, 2, 640e3},  {"channels", 1, 4, 640e3},
    {"channels", 1, 8, 640e3},  {"channels", 1, 16, 640e3}, {"channels", 1, 32, 640e3},
    {"channels", 1, 64, 640e3}, {"rate", 1, 8, 10},         {"rate", 1, 8, 100},
    {"rate", 1, 8, 1e3},        {"rate", 1, 8, 1e4},        {"rate", 1, 8, 1e5},
    {"rate", 1, 8, 1e6},        {"rate", 1, 8, 1e7},        {"rate", 1, 8, 2e7},
    {"boards", 1, 8, 640e3},    {"boards", 2, 8, 640e3},    {"boards", 4, 8, 640e3},
    {"boards", 8, 8, 640e3},
};
enum { SETUPS = sizeof setups / sizeof setups[0] };

/* A board's packets, made once; each PACKETS of them again and again, counted on. */
struct source {
    double rate_hz; /* scans */
    size_t scans;   /* of a packet */
    size_t size;    /* of a packet, bytes */
    size_t at_once; /* packets that come together: some 10 ms of them */
    uint8_t *packets;
};

static double rate_of(const struct setup *setup) {
    return setup->samples_per_s / setup->boards / setup->inputs;
}

static int make_source(const struct setup *setup, struct source *source) {
    size_t scan_bytes = 2 * (size_t)setup->inputs;
    size_t room = (PACKET_MAX - FRONT) / scan_bytes;
    uint32_t state = 7;
    source->rate_hz = rate_of(setup);
    source->scans = (size_t)(source->rate_hz / 100);
    source->scans = source->scans < 1 ? 1 : source->scans > room ? room : source->scans;
    source->size = FRONT + source->scans * scan_bytes;
    source->at_once = (size_t)(source->rate_hz / 100 / (double)source->scans);
    source->at_once = source->at_once < 1 ? 1 : source->at_once;
    source->packets = calloc(PACKETS, source->size);
    if (!source->packets)
        return -1;
    for (size_t scan = 0; scan < PACKETS * source->scans; scan++) {
        uint8_t *packet = source->packets + scan / source->scans * source->size;
        uint8_t *value = packet + FRONT + scan % source->scans * scan_bytes;
        memcpy(packet, "\xC5\x5C\xA3\x3A", 4);
        for (size_t input = 0; input < setup->inputs; input++, value += 2) {
            long count = bulk_level(input % BULK_INPUTS, (double)scan, &state);
            value[0] = (uint8_t)count;
            value[1] = (uint8_t)(count >> 8);
        }
    }
    return 0;
}

/* ---- the hookup ---- */

static int write_board_file(const char *path, const struct setup *setup,
                            const struct source *source) {
    FILE *file = fopen(path, "we");
    if (!file)
        return -1;
    fprintf(file,
            "[board]\nsummary = boards that are measured with\ndriver = usb-bulk\nrate = %.9g\n"
            "[usb]\nendpoint = 0x81\n[packet]\nheader = c5 5c a3 3a\ncounter-at = 4\n"
            "counter-bits = 32\ncounts = scans\norder = little\nvalues-at = %d\nscans = %zu\n"
            "bits = 16\nsize = %zu\ncolumns = 0",
            source->rate_hz, FRONT, source->scans, source->size);
    for (unsigned input = 1; input < setup->inputs; input++)
        fprintf(file, ",%u", input); /* a line of a board file is short */
    fprintf(file, "\n[inputs]\nrange = -1..5.5 V\nskew = 0 s\n");
    return fclose(file) == 0 ? 0 : -1;
}

/* A battery, and feeds: each is looked at by the live detectors. */
static struct hookup *make_hookup(const char *folder, const struct setup *setup,
                                  const struct source *source) {
    struct problems problems = {0};
    struct hookup *hookup = NULL;
    char board[4200], path[4200];
    (void)snprintf(board, sizeof board, "%s/fast.board", folder);
    (void)snprintf(path, sizeof path, "%s/boards.hookup", folder);
    FILE *file = write_board_file(board, setup, source) < 0 ? NULL : fopen(path, "we");
    if (!file)
        return NULL;
    for (unsigned i = 0; i < setup->boards; i++) {
        fprintf(file, "[board b%u]\nboard = %s\ndevice = none%u\n", i, board, i);
        for (unsigned input = 0; input < setup->inputs; input++)
            fprintf(file, "[channel b%u-%u]\nboard = b%u\ninput = %u\n%s\n", i, input, i, input,
                    i + input == 0 ? "role = battery\ndivider = 5.7" : "role = feed\nnominal = 5");
    }
    if (fclose(file) == 0 && hookup_load(path, HOOKUP_FOR_BOARDS, &hookup, &problems) < 0)
        problems_print(&problems, path, stderr);
    problems_clear(&problems);
    return hookup;
}

/* ---- measuring ---- */

struct measured {
    double ns_per_sample;
    double core_percent;    /* of a core, at the boards' rate */
    double bits_per_sample; /* on the disk */
    uint64_t lost;
};

static int wait_for_scans(struct chain *chain) {
    struct timespec deadline;
    clock_gettime(CLOCK_REALTIME, &deadline);
    deadline.tv_sec += PATIENCE_S;
    return sem_timedwait(&chain->step, &deadline);
}

static void send_packets(struct chain *chain, const struct source *source, uint64_t sent) {
    for (size_t i = 0; i < chain->intake->board_count; i++) {
        struct intake_board *board = &chain->intake->boards[i];
        for (uint64_t packet = sent; packet < sent + source->at_once; packet++) {
            uint8_t *bytes = source->packets + packet % PACKETS * source->size;
            bulk_count(bytes, (uint32_t)(packet * source->scans));
            atomic_fetch_add(&board->bytes, source->size);
            (void)byte_ring_write(board->byte_ring, bytes, source->size,
                                  timebase_elapsed_ns(chain->timebase));
        }
    }
}

/* Each board's latest packet is believed when the next one's header stands behind it. */
static int feed(struct chain *chain, const struct source *source, double seconds) {
    double packets = seconds * source->rate_hz / (double)source->scans;
    size_t boards = chain->intake->board_count;
    for (uint64_t sent = 0; (double)sent < packets;) {
        uint64_t behind = sent + source->at_once;
        chain->fed = (behind - 1) * source->scans * boards;
        timebase_drive(chain->timebase,
                       (int64_t)((double)(behind * source->scans) * 1e9 / source->rate_hz));
        send_packets(chain, source, sent);
        if (behind > 1 && wait_for_scans(chain) < 0)
            return -1;
        sent = behind;
    }
    return 0;
}

static int run_chain(struct chain *chain, const struct setup *setup, const struct source *source,
                     struct measured *measured) {
    double seconds = SAMPLES / setup->samples_per_s;
    seconds = seconds < SECONDS_MIN ? SECONDS_MIN : seconds > SECONDS_MAX ? SECONDS_MAX : seconds;
    (void)timebase_take_over(chain->timebase, 0);
    if (chain_connect(chain) < 0)
        return -1;
    double begin = bench_cpu_s();
    int result = feed(chain, source, seconds);
    chain_pass(chain, BARRIER_STOPPING);
    if (result < 0 || writer_flush(chain->writer, FLUSH_MS) < 0)
        return -1;
    double samples = (double)chain->fed * setup->inputs;
    double cpu_s = bench_cpu_s() - begin;
    measured->ns_per_sample = 1e9 * cpu_s / samples;
    measured->core_percent = 100 * cpu_s / samples * setup->samples_per_s;
    measured->bits_per_sample = 8 * (double)disk_ring_state(chain->disk).bytes_written / samples;
    measured->lost = memory_ring_state(chain->memory).scans_lost;
    for (size_t i = 0; i < chain->intake->board_count; i++) {
        struct intake_status status;
        intake_status(chain->intake, i, &status);
        measured->lost += status.scans_lost;
    }
    return 0;
}

static int measure(const struct setup *setup, struct measured *measured) {
    static struct chain chain;
    struct source source = {0};
    char folder[4096];
    if (van_folder_make(folder, sizeof folder) < 0)
        return -1;
    int result = make_source(setup, &source);
    if (result == 0)
        result = chain_open_hookup(&chain, make_hookup(folder, setup, &source));
    if (result == 0)
        result = run_chain(&chain, setup, &source, measured);
    chain_close(&chain);
    free(source.packets);
    van_folder_remove(folder);
    return result;
}

static void print_one(const struct setup *setup, const struct measured *measured, bool json,
                      bool first) {
    if (json)
        printf("%s{\"sweep\":\"%s\",\"boards\":%u,\"channels\":%u,\"samples_per_s\":%.0f,"
               "\"ns_per_sample\":%.3f,\"core_percent\":%.5f,\"bits_per_sample\":%.3f,\"scans_"
               "lost\":%llu}",
               first ? "" : ",", setup->sweep, setup->boards, setup->boards * setup->inputs,
               setup->samples_per_s, measured->ns_per_sample, measured->core_percent,
               measured->bits_per_sample, (unsigned long long)measured->lost);
    else
        printf("  %u boards, %3u channels, %10.0f samples/s: %9.1f ns a sample, %8.4f %% of a "
               "core, %5.2f bits, "
               "%llu scans lost\n",
               setup->boards, setup->boards * setup->inputs, setup->samples_per_s,
               measured->ns_per_sample, measured->core_percent, measured->bits_per_sample,
               (unsigned long long)measured->lost);
    fflush(stdout);
}

int bench_rates(int argc, char **argv) {
    bool json = argc == 2 && strcmp(argv[1], "--json") == 0;
    if (argc > 1 && !json) {
        fprintf(stderr, "usage: cranktrap-bench rates [--json]\n");
        return 2;
    }
    if (bench_one_core() < 0)
        fprintf(stderr, "cranktrap-bench rates: not bound to one core\n");
    printf(json ? "{\"schema\":\"cranktrap.bench-rates/1\",\"setups\":["
                : "rates: the whole chain, free-running, on one core\n");
    for (int i = 0; i < SETUPS; i++) {
        struct measured measured;
        if (measure(&setups[i], &measured) < 0) {
            fprintf(stderr, "cranktrap-bench rates: it could not be measured\n");
            return 1;
        }
        print_one(&setups[i], &measured, json, i == 0);
    }
    if (json)
        puts("]}");
    return 0;
}
