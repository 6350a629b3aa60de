// SPDX-License-Identifier: Apache-2.0
/*
 * bench_bulk.c - packets are made once; while sending only their counters change.
 */
#include "bench_bulk.h"

#include <math.h>
#include <sched.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

enum { COUNTER_AT = 4, VALUES_AT = 8, PACKETS = 1024, BUFFER = 8 << 20 };

static const char board_text[] = "[board]\n"
                                 "summary = a fast board that is measured with\n"
                                 "driver = usb-bulk\n"
                                 "rate = %.0f\n"
                                 "[usb]\n"
                                 "endpoint = 0x81\n"
                                 "[packet]\n"
                                 "header = c5 5c a3 3a\n"
                                 "counter-at = 4\n"
                                 "counter-bits = 32\n"
                                 "counts = scans\n"
                                 "order = little\n"
                                 "values-at = 8\n"
                                 "scans = 511\n"
                                 "bits = 16\n"
                                 "columns = 0, 1, 2, 3, 4, 5, 6, 7\n"
                                 "size = 8192\n"
                                 "[inputs]\n"
                                 "range = -1..5.5 V\n"
                                 "skew = 0 s\n";

int bulk_board_file(const char *folder, double rate_hz, char *lines, size_t size) {
    char path[4200];
    (void)snprintf(path, sizeof path, "%s/bulk.board", folder);
    FILE *file = fopen(path, "we");
    if (!file)
        return -1;
    int written = fprintf(file, board_text, rate_hz);
    if (fclose(file) != 0 || written < 0)
        return -1;
    (void)snprintf(lines, size, "board = %s\ndevice = none", path);
    return 0;
}

void bulk_count(uint8_t *packet, uint32_t scan) {
    for (int i = 0; i < 4; i++)
        packet[COUNTER_AT + i] = (uint8_t)(scan >> 8 * i);
}

/* About normal, of three counts. */
static double noise(uint32_t *state) {
    double sum = 0;
    for (int i = 0; i < 4; i++) {
        *state = *state * 1664525u + 1013904223u;
        sum += *state * 0x1p-32;
    }
    return (sum - 2) * 5.2;
}

/* Counts of 65536 over -1 to 5.5 V: battery, feed, return, two signals, clamp, two lines. */
static double level(size_t input, double n) {
    switch (input) {
    case 0:
        return 32300 + 300 * sin(n * 1e-4);
    case 1:
        return 60500;
    case 2:
        return 10100;
    case 3:
        return fmod(n, 40000) < 20000 ? 60200 : 10300;
    case 4:
        return fmod(n, 300000) < 20000 ? 60200 : 10300;
    case 5:
        return 10090;
    default:
        return 32200 + 200 * sin(n * 1e-4);
    }
}

long bulk_level(size_t input, double scan, uint32_t *state) {
    return lrint(level(input, scan) + noise(state));
}

void bulk_fill(uint8_t *bytes, size_t packets) {
    static const uint8_t header[COUNTER_AT] = {0xC5, 0x5C, 0xA3, 0x3A};
    uint32_t state = 7;
    for (size_t scan = 0; scan < packets * BULK_SCANS; scan++) {
        uint8_t *packet = bytes + scan / BULK_SCANS * BULK_PACKET;
        uint8_t *value = packet + VALUES_AT + scan % BULK_SCANS * BULK_INPUTS * 2;
        if (scan % BULK_SCANS == 0) {
            for (size_t i = 0; i < COUNTER_AT; i++)
                packet[i] = header[i];
            bulk_count(packet, (uint32_t)scan);
        }
        for (size_t input = 0; input < BULK_INPUTS; input++, value += 2) {
            long count = bulk_level(input, (double)scan, &state);
            value[0] = (uint8_t)count;
            value[1] = (uint8_t)(count >> 8);
        }
    }
}

void bulk_counts(const uint8_t *bytes, size_t scan, int32_t counts[BULK_INPUTS]) {
    const uint8_t *value =
        bytes + scan / BULK_SCANS * BULK_PACKET + VALUES_AT + scan % BULK_SCANS * BULK_INPUTS * 2;
    for (size_t input = 0; input < BULK_INPUTS; input++, value += 2)
        counts[input] = value[0] | value[1] << 8;
}

static void other_core(int core) {
    cpu_set_t cores;
    CPU_ZERO(&cores);
    for (long i = 0; i < sysconf(_SC_NPROCESSORS_ONLN); i++)
        if (i != core)
            CPU_SET((size_t)i, &cores);
    if (CPU_COUNT(&cores))
        (void)sched_setaffinity(0, sizeof cores, &cores);
}

static double since(const struct timespec *begin) {
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (double)(now.tv_sec - begin->tv_sec) + (double)(now.tv_nsec - begin->tv_nsec) * 1e-9;
}

void bulk_never_wait(void) {
    const struct sched_param first = {.sched_priority = 1};
    (void)sched_setscheduler(0, SCHED_FIFO, &first);
}

static int send_all(double rate_hz, uint64_t reads, int to) {
    static uint8_t bytes[(size_t)PACKETS * BULK_PACKET];
    const struct timespec pause = {0, 1000000};
    const double reads_a_second = rate_hz / (2 * BULK_SCANS);
    struct timespec begin;
    bulk_fill(bytes, PACKETS);
    bulk_never_wait();
    clock_gettime(CLOCK_MONOTONIC, &begin);
    for (uint64_t done = 0; done < reads; nanosleep(&pause, NULL)) {
        double due = since(&begin) * reads_a_second;
        for (; done < reads && (double)done < due; done++) {
            uint8_t *packet = bytes + done % (PACKETS / 2) * BULK_READ;
            bulk_count(packet, (uint32_t)(done * 2 * BULK_SCANS));
            bulk_count(packet + BULK_PACKET, (uint32_t)((done * 2 + 1) * BULK_SCANS));
            (void)send(to, packet, BULK_READ, MSG_DONTWAIT | MSG_NOSIGNAL); /* too late is lost */
        }
    }
    /* Without a check a packet is believed when the next one's header stands right behind it. */
    bulk_count(bytes, (uint32_t)(reads * 2 * BULK_SCANS));
    return send(to, bytes, BULK_PACKET, MSG_NOSIGNAL) < 0;
}

int bulk_start(double rate_hz, uint64_t reads, int core, pid_t *child) {
    int ends[2];
    const int buffer = BUFFER;
    if (socketpair(AF_UNIX, SOCK_SEQPACKET | SOCK_CLOEXEC, 0, ends) < 0)
        return -1;
    /* What a port's queued transfers would hold: some 100 ms. */
    if (setsockopt(ends[1], SOL_SOCKET, SO_SNDBUFFORCE, &buffer, sizeof buffer) < 0)
        (void)setsockopt(ends[1], SOL_SOCKET, SO_SNDBUF, &buffer, sizeof buffer);
    fflush(NULL);
    pid_t pid = fork();
    if (pid == 0) {
        close(ends[0]);
        other_core(core);
        _exit(send_all(rate_hz, reads, ends[1]));
    }
    close(ends[1]);
    if (pid < 0) {
        close(ends[0]);
        return -1;
    }
    *child = pid;
    return ends[0];
}
