// SPDX-License-Identifier: Apache-2.0
/*
 * serial_board.c - `serial_board TERMINAL BYTES_PER_S`: a board of the board file packets-8x16 at
 * the far end of a line. Sends from byte 53 on, until byte 50; each start begins a new count.
 * SIGUSR1 has it skip 10 packets.
 */
#include "counting.h"
#include "pace.h"

#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <stdatomic.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <termios.h>
#include <unistd.h>

#define SKIPPED       10
#define WRITE_PACKETS 4

static atomic_uint skip;

static void on_signal(int number) {
    (void)number;
    atomic_fetch_add(&skip, SKIPPED);
}

static int open_line(const char *path) {
    struct termios terminal;
    int line = open(path, O_RDWR | O_NOCTTY | O_CLOEXEC);
    if (line >= 0 && tcgetattr(line, &terminal) == 0) {
        cfmakeraw(&terminal);
        (void)tcsetattr(line, TCSANOW, &terminal);
        return line;
    }
    if (line >= 0)
        close(line);
    return -1;
}

/* The last command within `wait_ms`, 0 for none, -1 where the line has gone. */
static int read_command(int line, int wait_ms) {
    struct pollfd ready = {.fd = line, .events = POLLIN};
    char bytes[16];
    if (poll(&ready, 1, wait_ms) <= 0)
        return 0;
    ssize_t count = read(line, bytes, sizeof bytes);
    if (count > 0)
        return bytes[count - 1];
    return count < 0 && (errno == EINTR || errno == EAGAIN) ? 0 : -1;
}

static bool write_whole(int line, const uint8_t *bytes, size_t count) {
    while (count > 0) {
        ssize_t written = write(line, bytes, count);
        if (written < 0 && errno != EINTR)
            return false;
        if (written > 0) {
            bytes += written;
            count -= (size_t)written;
        }
    }
    return true;
}

/* Sends until a command comes or the line has gone; returns as read_command(). */
static int send_one_count(int line, double bytes_per_s) {
    uint8_t bytes[WRITE_PACKETS * SERIAL_SIZE];
    uint32_t number = 0;
    int command = 0;
    struct pace pace;
    pace_begin(&pace, bytes_per_s);
    while (command == 0) {
        number += atomic_exchange(&skip, 0);
        for (unsigned i = 0; i < WRITE_PACKETS; i++)
            counting_serial_packet(number++, bytes + (size_t)i * SERIAL_SIZE);
        if (write_whole(line, bytes, sizeof bytes)) {
            pace_sent(&pace, sizeof bytes);
            command = read_command(line, 0);
        } else
            command = -1;
    }
    printf("sent %.2f MB at %.2f MB/s, scans 0 to %lu\n", (double)pace.sent / 1e6,
           pace_reached(&pace) / 1e6, (unsigned long)number * SERIAL_SCANS);
    return command;
}

int main(int argc, char **argv) {
    setvbuf(stdout, NULL, _IOLBF, 0);
    if (argc != 3) {
        fputs("usage: serial_board TERMINAL BYTES_PER_S\n", stderr);
        return 2;
    }
    struct sigaction action = {.sa_handler = on_signal, .sa_flags = SA_RESTART};
    (void)sigaction(SIGUSR1, &action, NULL);
    for (int line;; close(line)) {
        while ((line = open_line(argv[1])) < 0)
            usleep(20000);
        for (int command = 0; command >= 0;)
            command =
                command == 0x53 ? send_one_count(line, atof(argv[2])) : read_command(line, 1000);
        usleep(20000);
    }
}
