// SPDX-License-Identifier: Apache-2.0
/*
 * api_fuzz.c - any bytes as a request to the daemon's API, by its own Unix socket: up to an empty
 * line the request's line and headers, behind it the body. Its length and the wish to be closed
 * afterwards are added, so that the fuzzer gets past HTTP.
 *
 * Held: whatever is asked, what comes back is an answer, and the next one is answered too.
 */
#include "station_helper.h"

#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static struct station station;

static void must(bool holds) {
    if (!holds)
        abort();
}

static void close_station(void) {
    station_close(&station);
}

/* Answers that wait for something, and streams, are not waited for. */
static int connect_briefly(void) {
    const struct timeval patience = {0, 20000};
    int connection = station_connect(&station);
    must(setsockopt(connection, SOL_SOCKET, SO_RCVTIMEO, &patience, sizeof patience) == 0);
    return connection;
}

static bool send_all(int connection, const char *bytes, size_t count) {
    while (count > 0) {
        ssize_t sent = send(connection, bytes, count, MSG_NOSIGNAL);
        if (sent <= 0)
            return false; /* it has read enough to refuse it */
        bytes += sent;
        count -= (size_t)sent;
    }
    return true;
}

static void receive(int connection) {
    static char bytes[65536];
    size_t used = 0;
    int status = 0;
    for (ssize_t count = 1; count > 0 && used < sizeof bytes - 1; used += (size_t)count) {
        count = recv(connection, bytes + used, sizeof bytes - 1 - used, 0);
        count = count < 0 ? 0 : count;
    }
    bytes[used] = '\0';
    must(used == 0 ||
         (sscanf(bytes, "HTTP/1.%*1[01] %d", &status) == 1 && status >= 100 && status < 600));
}

static void ask(const char *head, size_t head_length, const char *body, size_t body_length) {
    char more[96];
    int length = snprintf(more, sizeof more,
                          "\r\nHost: cranktrap\r\nConnection: close\r\nContent-Length: %zu\r\n\r\n",
                          body_length);
    int connection = connect_briefly();
    if (send_all(connection, head, head_length) && send_all(connection, more, (size_t)length))
        (void)send_all(connection, body, body_length);
    receive(connection);
    close(connection);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
    static bool open;
    if (!open) {
        station_open(&station);
        station_serve(&station);
        must(atexit(close_station) == 0);
        open = true;
    }
    const char *bytes = (const char *)data;
    const char *end = size ? memmem(bytes, size, "\n\n", 2) : NULL;
    size_t head = end ? (size_t)(end - bytes) : size;
    if (head == 0 || memmem(bytes, head, "phone", 5))
        return 0; /* that would open a port of this computer to its network */
    ask(bytes, head, end ? end + 2 : bytes, end ? size - head - 2 : 0);
    must(station_ask(&station, "GET", "/v0/status", NULL, NULL) == 200);
    return 0;
}
