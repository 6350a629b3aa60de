// SPDX-License-Identifier: Apache-2.0
/*
 * bench_paced.c - a board that does not wait: 60 MB/s of 16-bit samples, more than a high-speed
 * bulk endpoint carries (53.248 MB/s: 13 packets of 512 bytes in each of 8000 microframes a second,
 * USB 2.0 specification, 5.8.4), through the whole chain to the disk.
 */
#include "bench.h"
#include "bench_bulk.h"
#include "bench_chain.h"
#include "bench_van.h"

#include <sched.h>
#include <stdio.h>
#include <sys/resource.h>
#include <time.h>
#include <unistd.h>

#define BYTES_PER_S 60e6
#define RATE_HZ     (BYTES_PER_S / 2 / BULK_INPUTS)
#define FLUSH_MS    60000
#define MIB         1048576.0

struct outcome {
    uint64_t expected, received, lost; /* scans */
    double seconds, cpu_s;
    double peak_mib;
    double byte_ring_full, memory_full; /* at most, 0..1 */
    uint64_t bytes_written, pruned;
};

static int run_chain(struct chain *chain, int from, struct outcome *outcome) {
    struct timespec begin, end;
    double cpu_begin = bench_cpu_s();
    clock_gettime(CLOCK_MONOTONIC, &begin);
    if (chain_take_paced(chain, from) < 0)
        return -1;
    if (writer_flush(chain->writer, FLUSH_MS) < 0)
        return -1;
    clock_gettime(CLOCK_MONOTONIC, &end);
    outcome->cpu_s = bench_cpu_s() - cpu_begin;
    outcome->seconds =
        (double)(end.tv_sec - begin.tv_sec) + (double)(end.tv_nsec - begin.tv_nsec) * 1e-9;

    struct intake_status status;
    struct memory_ring_state memory = memory_ring_state(chain->memory);
    struct disk_ring_state disk = disk_ring_state(chain->disk);
    intake_status(chain->intake, 0, &status);
    outcome->received = status.scans;
    outcome->lost = memory.scans_lost + disk.scans_dropped + outcome->expected - status.scans;
    outcome->peak_mib = chain_memory_mib("VmHWM:");
    outcome->byte_ring_full = (double)status.byte_ring_fullest / (double)status.byte_ring_size;
    outcome->memory_full = (double)memory.fullest / (double)memory.bound;
    outcome->bytes_written = disk.bytes_written;
    outcome->pruned = disk.segments_pruned;
    return 0;
}

static int measure(unsigned seconds, struct outcome *outcome) {
    static struct chain chain;
    char folder[4096], lines[4300];
    pid_t child = 0;
    uint64_t reads = (uint64_t)(seconds * RATE_HZ / (2 * BULK_SCANS));
    outcome->expected = reads * 2 * BULK_SCANS;
    if (van_folder_make(folder, sizeof folder) < 0)
        return -1;
    int result = bulk_board_file(folder, RATE_HZ, lines, sizeof lines);
    if (result == 0)
        result = chain_open(&chain, lines);
    if (result == 0) {
        int from = bulk_start(RATE_HZ, reads, sched_getcpu(), &child);
        result = from < 0 ? -1 : run_chain(&chain, from, outcome);
        if (from >= 0 && van_board_end(from, child) < 0)
            result = -1;
    }
    chain_close(&chain);
    van_folder_remove(folder);
    return result;
}

/* The same samples once, by a plain write into a file and by zlib -1, for a second of them. */
static int measure_peers(double *write_s, double *zlib_s) {
    enum { PACKETS = 1024 };
    static uint8_t bytes[(size_t)PACKETS * BULK_PACKET];
    struct bench_peers peers;
    char folder[4096], path[4200];
    bulk_fill(bytes, PACKETS);
    if (bench_peers(bytes, sizeof bytes, sizeof bytes, &peers) < 0 ||
        van_folder_make(folder, sizeof folder) < 0)
        return -1;
    (void)snprintf(path, sizeof path, "%s/copy", folder);
    double begin = bench_cpu_s();
    FILE *file = fopen(path, "we");
    bool written = file && fwrite(bytes, sizeof bytes, 1, file) == 1 && fflush(file) == 0;
    double taken = bench_cpu_s() - begin;
    if (file)
        (void)fclose(file);
    van_folder_remove(folder);
    double second = BYTES_PER_S / (double)sizeof bytes;
    *write_s = taken * second;
    *zlib_s = peers.zlib_s * second;
    return written ? 0 : -1;
}

static void print_outcome(const struct outcome *o, double write_s, double zlib_s, bool json) {
    double samples = (double)o->received * BULK_INPUTS;
    double core = 100 * o->cpu_s / o->seconds;
    if (json) {
        printf("{\"schema\":\"cranktrap.bench-paced/1\",\"bytes_per_s\":%.0f,\"seconds\":%.3f,"
               "\"scans\":%llu,\"scans_lost\":%llu,\"core_percent\":%.2f,\"ns_per_sample\":%.3f,"
               "\"peak_mib\":%.1f,\"byte_ring_full\":%.4f,\"memory_ring_full\":%.4f,"
               "\"bytes_written\":%llu,\"segments_pruned\":%llu,\"write_core_percent\":%.2f,"
               "\"zlib_1_core_percent\":%.2f}\n",
               BYTES_PER_S, o->seconds, (unsigned long long)o->received,
               (unsigned long long)o->lost, core, 1e9 * o->cpu_s / samples, o->peak_mib,
               o->byte_ring_full, o->memory_full, (unsigned long long)o->bytes_written,
               (unsigned long long)o->pruned, 100 * write_s, 100 * zlib_s);
        return;
    }
    printf("path, paced: %.0f MB/s of 16-bit samples for %.1f s, %d inputs at %.0f scans/s\n",
           BYTES_PER_S / 1e6, o->seconds, BULK_INPUTS, RATE_HZ);
    printf("  received           %12llu scans, %llu lost\n", (unsigned long long)o->received,
           (unsigned long long)o->lost);
    printf("  processor          %12.1f %% of a core, %.1f ns a sample\n", core,
           1e9 * o->cpu_s / samples);
    printf("  byte ring, memory ring at most %.1f %%, %.1f %% full; resident at most %.0f MiB\n",
           100 * o->byte_ring_full, 100 * o->memory_full, o->peak_mib);
    printf("  to disk            %12.1f MB/s, %.2f bits a sample\n",
           (double)o->bytes_written / o->seconds / 1e6, 8 * (double)o->bytes_written / samples);
    printf("  beside it: a plain write of the same bytes %.1f %% of a core, zlib -1 %.0f %%\n",
           100 * write_s, 100 * zlib_s);
}

int bench_paced(unsigned seconds, bool json) {
    struct outcome outcome;
    double write_s, zlib_s;
    /* What else this computer does is not what is measured; the child inherits it. */
    if (setpriority(PRIO_PROCESS, 0, -20) < 0)
        fprintf(stderr, "cranktrap-bench path: at no higher priority than others: what else this "
                        "computer does may cost scans\n");
    if (measure(seconds, &outcome) < 0 || measure_peers(&write_s, &zlib_s) < 0) {
        fprintf(stderr, "cranktrap-bench path: the paced source could not be measured\n");
        return 1;
    }
    print_outcome(&outcome, write_s, zlib_s, json);
    return outcome.lost ? 1 : 0;
}
