// SPDX-License-Identifier: Apache-2.0
/*
 * bench_usb.c - a USB board from its transfers to the disk: the daemon's own port thread, queue of
 * transfers, driver, detectors, codec and disk ring, on one core. Only the kernel's side of the bus
 * is a device in memory (usb_memory.h). And the same board over a pseudo-terminal.
 */
#include "bench.h"
#include "bench_bulk.h"
#include "bench_chain.h"
#include "bench_van.h"
#include "usb_memory.h"

#include <fcntl.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

enum { PACKETS = 1024, FAST_MB = 600, PACED_S = 10, PATIENCE_S = 60, FLUSH_MS = 60000 };
#define FAST_HZ     (60e6 / 2 / BULK_INPUTS) /* what the board claims when nothing holds it back */
#define PACED_HZ    10000.0
#define BAUD        4000000 /* a pseudo-terminal ignores it; the byte ring is sized by it */
#define AIM_MB      60.0
#define WAIT_NS     200000
#define BYTES_A_S   (PACED_HZ / BULK_SCANS * BULK_PACKET)
#define CHUNK_BYTES (1u << 20)

/* What one run of a board through the chain gave. */
struct run {
    uint64_t expected, received, lost; /* scans */
    double seconds, cpu_s;
    double away_ms; /* the port thread was at most so long from its port */
};

static double now_s(void) {
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (double)now.tv_sec + (double)now.tv_nsec * 1e-9;
}

/* ---- the board in memory ---- */

struct memory_board {
    struct chain *chain;
    uint8_t *bytes;     /* PACKETS packets, sent again and again with other counters */
    uint64_t end, sent; /* bytes */
    double bytes_per_s; /* 0: as fast as they are taken */
    double begin_s;
};

/* Bytes that are there to be sent by now; else how long until a transfer of `size` is full. */
static uint64_t due(const struct memory_board *board, size_t size, int64_t *wait_ns) {
    uint64_t left = board->end - board->sent;
    if (board->bytes_per_s > 0) {
        double now = (now_s() - board->begin_s) * board->bytes_per_s - (double)board->sent;
        *wait_ns = (int64_t)(((double)size - now) * 1e9 / board->bytes_per_s);
        return now < 0 ? 0 : (double)left < now ? left : (uint64_t)now;
    }
    const struct byte_ring *ring = chain_board(board->chain)->byte_ring;
    *wait_ns = WAIT_NS;
    return byte_ring_fill(ring) > byte_ring_size(ring) / 2 ? 0 : left;
}

static size_t fill(void *context, uint8_t *bytes, size_t size, int64_t *wait_ns) {
    struct memory_board *board = context;
    if (board->begin_s <= 0)
        board->begin_s = now_s();
    uint64_t left = board->end - board->sent;
    size_t count = left < size ? (size_t)left : size;
    if (due(board, count, wait_ns) < count)
        return 0;
    for (size_t at = 0, part; at < count; at += part, board->sent += part) {
        size_t within = board->sent % BULK_PACKET;
        uint64_t number = board->sent / BULK_PACKET;
        uint8_t *packet = board->bytes + number % PACKETS * BULK_PACKET;
        part = count - at < BULK_PACKET - within ? count - at : BULK_PACKET - within;
        if (within == 0)
            bulk_count(packet, (uint32_t)(number * BULK_SCANS));
        memcpy(bytes + at, packet + within, part);
    }
    return count;
}

/* ---- the board on a pseudo-terminal ---- */

static void send_all(int to, uint8_t *bytes, uint64_t packets) {
    enum { PART = 64 }; /* a UART gives few bytes at a time */
    const struct timespec pause = {0, 400000};
    double begin = now_s();
    uint64_t end = packets * BULK_PACKET;
    for (uint64_t sent = 0; sent < end; nanosleep(&pause, NULL))
        while (sent < end && (double)sent < (now_s() - begin) * BYTES_A_S) {
            uint8_t *packet = bytes + sent / BULK_PACKET % PACKETS * BULK_PACKET;
            if (sent % BULK_PACKET == 0)
                bulk_count(packet, (uint32_t)(sent / BULK_PACKET * BULK_SCANS));
            if (write(to, packet + sent % BULK_PACKET, PART) != PART)
                return;
            sent += PART;
        }
}

/* Starts a child that sends when the board is asked to (one byte); the terminal's path. */
static pid_t start_terminal(uint8_t *bytes, uint64_t packets, char *path, size_t size) {
    int master = posix_openpt(O_RDWR | O_NOCTTY | O_CLOEXEC);
    if (master < 0 || grantpt(master) < 0 || unlockpt(master) < 0 ||
        ptsname_r(master, path, size) != 0)
        return -1;
    int held = open(path, O_RDWR | O_NOCTTY | O_CLOEXEC); /* so that it never hangs up */
    fflush(NULL);
    pid_t child = fork();
    if (child == 0) {
        char asked;
        if (read(master, &asked, 1) == 1)
            send_all(master, bytes, packets);
        pause();
        _exit(0);
    }
    close(held);
    close(master);
    return child;
}

/* ---- the chain ---- */

static int write_board_file(const char *folder, const char *driver, double rate_hz) {
    char path[4200];
    (void)snprintf(path, sizeof path, "%s/bench.board", folder);
    FILE *file = fopen(path, "we");
    if (!file)
        return -1;
    bool usb = strcmp(driver, "usb-bulk") == 0;
    fprintf(file, "[board]\nsummary = measured with\ndriver = %s\nrate = %.0f\n", driver, rate_hz);
    fputs(usb ? "start = control 40 01 0001 0000\nstop = control 40 01 0000 0000\n[usb]\n"
                "endpoint = 0x81\n"
              : "start = bytes 53\n",
          file);
    fputs("[packet]\nheader = c5 5c a3 3a\ncounter-at = 4\ncounter-bits = 32\ncounts = scans\n"
          "order = little\nvalues-at = 8\nscans = 511\nbits = 16\ncolumns = 0, 1, 2, 3, 4, 5, 6, "
          "7\nsize = 8192\n[inputs]\nrange = -1..5.5 V\nskew = 0 s\n",
          file);
    return fclose(file);
}

/* Until all that was sent has come, or nothing more does. */
static void wait_for_scans(struct chain *chain, struct run *run) {
    const struct timespec pause = {0, 5000000};
    double deadline = now_s() + PATIENCE_S;
    struct intake_status status;
    do {
        nanosleep(&pause, NULL);
        intake_status(chain->intake, 0, &status);
    } while (status.scans + status.scans_lost < run->expected && now_s() < deadline);
    run->received = status.scans;
    run->lost = status.scans_lost + memory_ring_state(chain->memory).scans_lost;
}

static int run_chain(struct chain *chain, struct run *run) {
    (void)usb_memory_longest_away_ns();
    double cpu = bench_cpu_s(), begin = now_s();
    if (intake_start(chain->intake) < 0)
        return -1;
    wait_for_scans(chain, run);
    run->away_ms = (double)usb_memory_longest_away_ns() * 1e-6;
    intake_stop(chain->intake);
    int result = writer_flush(chain->writer, FLUSH_MS);
    run->seconds = now_s() - begin;
    run->cpu_s = bench_cpu_s() - cpu;
    return result;
}

static int run_board(const char *lines, struct memory_board *source, struct run *run) {
    static struct chain chain;
    source->chain = &chain;
    /* Without a check the last packet waits for the next one's header. */
    run->expected = (source->end / BULK_PACKET - 1) * BULK_SCANS;
    int result = chain_open(&chain, lines);
    if (result == 0)
        result = run_chain(&chain, run);
    chain_close(&chain);
    return result;
}

static int run_usb(const char *folder, uint8_t *bytes, double rate_hz, uint64_t packets,
                   struct run *run) {
    struct memory_board source = {.bytes = bytes,
                                  .end = packets * BULK_PACKET,
                                  .bytes_per_s = rate_hz / BULK_SCANS * BULK_PACKET};
    const struct usb_memory_source plugged = {&source, fill};
    char lines[4300];
    usb_memory_plug(&plugged);
    (void)snprintf(lines, sizeof lines, "board = %s/bench.board\ndevice = none", folder);
    if (write_board_file(folder, "usb-bulk", rate_hz > 0 ? rate_hz : FAST_HZ) < 0)
        return -1;
    return run_board(lines, &source, run);
}

static int run_serial(const char *folder, uint8_t *bytes, uint64_t packets, struct run *run) {
    struct memory_board source = {.end = packets * BULK_PACKET};
    char lines[4400], path[64];
    pid_t child = start_terminal(bytes, packets, path, sizeof path);
    if (child < 0)
        return -1;
    (void)snprintf(lines, sizeof lines, "board = %s/bench.board\nbaud = %d\ndevice = %s", folder,
                   BAUD, path);
    int result = write_board_file(folder, "layout-serial", PACED_HZ);
    if (result == 0)
        result = run_board(lines, &source, run);
    kill(child, SIGKILL);
    (void)waitpid(child, NULL, 0);
    return result;
}

/* The same bytes copied once and written to a file, to the disk. Seconds, or negative. */
static double copy_to_disk(const char *folder, const uint8_t *bytes, uint64_t packets) {
    static uint8_t copy[CHUNK_BYTES];
    const uint64_t chunks = packets * BULK_PACKET / CHUNK_BYTES;
    char path[4200];
    (void)snprintf(path, sizeof path, "%s/copy", folder);
    int file = open(path, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0600);
    double begin = now_s();
    bool good = file >= 0;
    for (uint64_t i = 0; good && i < chunks; i++) {
        memcpy(copy, bytes + i % (PACKETS * BULK_PACKET / CHUNK_BYTES) * CHUNK_BYTES, CHUNK_BYTES);
        good = write(file, copy, CHUNK_BYTES) == (ssize_t)CHUNK_BYTES;
    }
    good = good && fdatasync(file) == 0;
    double taken = now_s() - begin;
    if (file >= 0)
        close(file);
    (void)unlink(path);
    return good ? taken : -1;
}

/* ---- the whole ---- */

struct outcome {
    struct run fast, bulk, serial;
    double fast_mb, copy_mb; /* a second; */
    double fast_cpu_mb;      /*   a second of processor time */
};

static int measure(const char *folder, struct outcome *outcome) {
    const uint64_t fast = (uint64_t)FAST_MB * 1000000 / BULK_PACKET;
    const uint64_t paced = (uint64_t)(PACED_S * PACED_HZ / BULK_SCANS) + 2;
    uint8_t *bytes = malloc((size_t)PACKETS * BULK_PACKET);
    if (!bytes)
        return -1;
    bulk_fill(bytes, PACKETS);
    int result = run_usb(folder, bytes, 0, fast, &outcome->fast);
    if (result == 0)
        result = run_usb(folder, bytes, PACED_HZ, paced, &outcome->bulk);
    if (result == 0)
        result = run_serial(folder, bytes, paced, &outcome->serial);
    double megabytes = (double)fast * BULK_PACKET * 1e-6;
    double copied_s = copy_to_disk(folder, bytes, fast);
    outcome->fast_mb = megabytes / outcome->fast.seconds;
    outcome->fast_cpu_mb = megabytes / outcome->fast.cpu_s;
    outcome->copy_mb = megabytes / copied_s;
    free(bytes);
    return copied_s > 0 ? result : -1;
}

static double core_percent(const struct run *run) {
    return 100 * run->cpu_s / run->seconds;
}

static void print_paced(const char *name, const struct run *run) {
    printf("  8 x 10 kS/s over %-10s %5.2f %% of a core, %llu of %llu scans lost; the port thread "
           "away %.1f ms at most\n",
           name, core_percent(run), (unsigned long long)(run->expected - run->received),
           (unsigned long long)run->expected, run->away_ms);
}

static void print_outcome(const struct outcome *o, bool json) {
    if (json) {
        printf("{\"schema\":\"cranktrap.bench-usb/1\",\"mb_per_s\":%.2f,\"aim_mb_per_s\":%.0f,"
               "\"mb_per_cpu_s\":%.2f,\"copy_to_disk_mb_per_s\":%.2f,\"scans\":%llu,\"scans_lost\":"
               "%llu,"
               "\"away_ms\":%.3f,\"bulk_core_percent\":%.4f,\"bulk_away_ms\":%.3f,"
               "\"serial_core_percent\":%.4f,\"serial_away_ms\":%.3f}\n",
               o->fast_mb, AIM_MB, o->fast_cpu_mb, o->copy_mb, (unsigned long long)o->fast.received,
               (unsigned long long)(o->fast.expected - o->fast.received), o->fast.away_ms,
               core_percent(&o->bulk), o->bulk.away_ms, core_percent(&o->serial),
               o->serial.away_ms);
        return;
    }
    printf("usb: %d inputs of 16 bits, from the queued transfers to the disk, on one core\n",
           BULK_INPUTS);
    printf("  as fast as it goes  %8.1f MB/s (aim: %.0f), %.1f MB a second of processor time\n"
           "  %29s %llu of %llu scans lost; the port thread away %.1f ms at most\n",
           o->fast_mb, AIM_MB, o->fast_cpu_mb, "",
           (unsigned long long)(o->fast.expected - o->fast.received),
           (unsigned long long)o->fast.expected, o->fast.away_ms);
    printf("  the same bytes copied to the disk %.0f MB/s: %.3f of that\n", o->copy_mb,
           o->fast_mb / o->copy_mb);
    print_paced("USB", &o->bulk);
    print_paced("a terminal", &o->serial);
}

int bench_usb(int argc, char **argv) {
    bool json = argc == 2 && strcmp(argv[1], "--json") == 0;
    static struct outcome outcome;
    char folder[4096];
    if (argc > 1 && !json) {
        fprintf(stderr, "usage: cranktrap-bench usb [--json]\n");
        return 2;
    }
    if (bench_one_core() < 0)
        fprintf(stderr, "cranktrap-bench usb: not bound to one core\n");
    if (van_folder_make(folder, sizeof folder) < 0)
        return 1;
    int result = measure(folder, &outcome);
    van_folder_remove(folder);
    if (result < 0) {
        fprintf(stderr, "cranktrap-bench usb: the board could not be run\n");
        return 1;
    }
    print_outcome(&outcome, json);
    return outcome.fast.received < outcome.fast.expected ? 1 : 0;
}
