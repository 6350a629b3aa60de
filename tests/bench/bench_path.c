// SPDX-License-Identifier: Apache-2.0
/*
 * bench_path.c - what it costs to take, watch, code and store a board's scans, on one core.
 *
 * Packets of the firmware's encoder go through the byte ring into the real pipeline thread: the
 * driver packet-serial, the clock, the live detectors, the codec, the memory ring, the writer
 * thread and the disk ring. As free-running as the core allows: the board's time drives the time
 * base, and the next 10 ms of scans are handed over as soon as the last were looked at.
 */
#include "bench.h"
#include "bench_chain.h"
#include "bench_van.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { ROUNDS = 3, SECONDS = 120, PACED_SECONDS = 10, FLUSH_MS = 60000 };
#define MIB         (1024.0 * 1024.0)
#define AIM_PERCENT 1.0
#define AIM_MIB     24.0

struct measured {
    uint64_t scans, lost;
    double cpu_s;
    double resident_mib, peak_mib;
    uint64_t bytes_in, bytes_stored;
    unsigned crankings, marks;
};

/* All of the board's pieces, each waited for; bytes handed over. */
static uint64_t feed(struct chain *chain, struct intake_board *board, int from) {
    static struct van_piece piece;
    uint64_t bytes = 0;
    for (size_t count; (count = van_board_read(from, &piece)) > 0; bytes += count) {
        chain->fed += piece.scans;
        timebase_drive(chain->timebase,
                       (int64_t)((double)chain->fed * (1e9 / (double)VAN_RATE_HZ)));
        atomic_fetch_add(&board->bytes, count);
        (void)byte_ring_write(board->byte_ring, piece.packets, count,
                              timebase_elapsed_ns(chain->timebase));
        if (piece.scans > 0)
            sem_wait(&chain->step);
    }
    return bytes;
}

/* ---- measuring ---- */

static int run_chain(struct chain *chain, int from, struct measured *measured) {
    struct intake_board *board = &chain->intake->boards[0];
    (void)timebase_take_over(chain->timebase, 0);
    double begin = bench_cpu_s();
    if (chain_connect(chain) < 0)
        return -1;
    measured->bytes_in = feed(chain, board, from);
    chain_pass(chain, BARRIER_STOPPING);
    if (writer_flush(chain->writer, FLUSH_MS) < 0)
        return -1;
    measured->cpu_s = bench_cpu_s() - begin;
    measured->resident_mib = chain_memory_mib("VmRSS:");
    measured->peak_mib = chain_memory_mib("VmHWM:");
    struct intake_status status;
    intake_status(chain->intake, 0, &status);
    measured->scans = status.scans;
    measured->lost = status.scans_lost + memory_ring_state(chain->memory).scans_lost;
    measured->bytes_stored = disk_ring_state(chain->disk).bytes_written;
    measured->crankings = watch_attempts(chain->watch);
    measured->marks = chain->marks;
    return 0;
}

static int run_round(unsigned seconds, struct measured *measured) {
    static struct chain chain;
    pid_t child = 0;
    int from = van_board_start(seconds, &child);
    if (from < 0)
        return -1;
    int result = chain_open(&chain, "driver = packet-serial\ndevice = none");
    if (result == 0)
        result = run_chain(&chain, from, measured);
    chain_close(&chain);
    if (van_board_end(from, child) < 0)
        result = -1;
    return result;
}

/* The same bytes, through a plain copy and zlib -1; all of them must fit into memory. */
static int run_peers(unsigned seconds, size_t bytes, struct bench_peers *peers) {
    static struct van_piece piece;
    pid_t child = 0;
    if (bytes == 0)
        return -1;
    int from = van_board_start(seconds, &child);
    uint8_t *all = malloc(bytes);
    size_t used = 0;
    if (from >= 0 && all)
        for (size_t count; (count = van_board_read(from, &piece)) > 0; used += count)
            memcpy(all + used, piece.packets, count <= bytes - used ? count : 0);
    int result = from >= 0 ? van_board_end(from, child) : -1;
    if (result == 0)
        result = all && used == bytes ? bench_peers(all, used, used / seconds, peers) : -1;
    free(all);
    return result;
}

/* ---- printing ---- */

struct result {
    struct measured first; /* its memory is that of the chain alone */
    double cpu_s;          /* the median */
    struct bench_peers peers;
};

static void print_table(const struct result *result) {
    const struct measured *m = &result->first;
    double scans = (double)m->scans;
    printf("path: %.0f scans of %d inputs (%.0f s at %d scans/s), %u crankings, %u marks, %llu "
           "lost\n",
           scans, VAN_INPUTS, scans / VAN_RATE_HZ, VAN_RATE_HZ, m->crankings, m->marks,
           (unsigned long long)m->lost);
    printf("  one core takes     %10.0f scans/s, %.1f ns a sample\n", scans / result->cpu_s,
           1e9 * result->cpu_s / scans / VAN_INPUTS);
    printf("  8 channels x 10 kS/s cost %5.2f %% of a core (aim: < %.0f %%)\n",
           100 * result->cpu_s / scans * VAN_RATE_HZ, AIM_PERCENT);
    printf("  resident memory    %10.1f MiB, at most %.1f MiB (aim: %.0f MiB)\n", m->resident_mib,
           m->peak_mib, AIM_MIB);
    printf("  stored             %10.2f bits a sample, of %.2f that arrived\n",
           8 * (double)m->bytes_stored / scans / VAN_INPUTS,
           8 * (double)m->bytes_in / scans / VAN_INPUTS);
    printf("  a copy of the same bytes takes %.4f s, zlib -1 %.2f s; the path %.2f s: %.0f copies, "
           "%.2f x zlib -1\n",
           result->peers.copy_s, result->peers.zlib_s, result->cpu_s,
           result->cpu_s / result->peers.copy_s, result->cpu_s / result->peers.zlib_s);
}

static void print_json(const struct result *result) {
    const struct measured *m = &result->first;
    double scans = (double)m->scans;
    printf("{\"schema\":\"cranktrap.bench-path/1\",\"inputs\":%d,\"rate_hz\":%d,\"scans\":%llu,"
           "\"scans_lost\":%llu,\"crankings\":%u,\"marks\":%u,\"cpu_s\":%.6f,\"scans_per_s\":%.0f,"
           "\"core_percent\":%.4f,\"aim_core_percent\":%.1f,\"resident_mib\":%.2f,"
           "\"peak_mib\":%.2f,\"aim_mib\":%.1f,\"bytes_in\":%llu,\"bytes_stored\":%llu,"
           "\"copy_s\":%.6f,\"zlib_1_s\":%.6f}\n",
           VAN_INPUTS, VAN_RATE_HZ, (unsigned long long)m->scans, (unsigned long long)m->lost,
           m->crankings, m->marks, result->cpu_s, scans / result->cpu_s,
           100 * result->cpu_s / scans * VAN_RATE_HZ, AIM_PERCENT, m->resident_mib, m->peak_mib,
           AIM_MIB, (unsigned long long)m->bytes_in, (unsigned long long)m->bytes_stored,
           result->peers.copy_s, result->peers.zlib_s);
}

static int run(unsigned seconds, bool json) {
    struct result result;
    double cpu_s[ROUNDS];
    for (int round = 0; round < ROUNDS; round++) {
        struct measured measured;
        if (run_round(seconds, &measured) < 0) {
            fprintf(stderr, "cranktrap-bench path: the chain could not be run\n");
            return 1;
        }
        cpu_s[round] = measured.cpu_s;
        if (round == 0)
            result.first = measured;
    }
    result.cpu_s = bench_median(cpu_s, ROUNDS);
    if (run_peers(seconds, result.first.bytes_in, &result.peers) < 0) {
        fprintf(stderr, "cranktrap-bench path: the bytes to compare with could not be had\n");
        return 1;
    }
    if (json)
        print_json(&result);
    else
        print_table(&result);
    return 0;
}

int bench_path(int argc, char **argv) {
    bool json = false;
    bool paced = false;
    unsigned long seconds = 0;
    for (int i = 1; i < argc; i++) {
        if (strcmp(argv[i], "--json") == 0)
            json = true;
        else if (strcmp(argv[i], "--paced") == 0)
            paced = true;
        else if (strcmp(argv[i], "--seconds") == 0 && i + 1 < argc)
            seconds = strtoul(argv[++i], NULL, 10);
        else
            seconds = 1; /* wrong */
    }
    if (seconds == 0)
        seconds = paced ? PACED_SECONDS : SECONDS;
    if (seconds < 10 || seconds > 1000) {
        fprintf(stderr,
                "usage: cranktrap-bench path [--json] [--paced] [--seconds N], N from 10 to "
                "1000\n");
        return 2;
    }
    if (bench_one_core() < 0)
        fprintf(stderr, "cranktrap-bench path: not bound to one core\n");
    return paced ? bench_paced((unsigned)seconds, json) : run((unsigned)seconds, json);
}
