// SPDX-License-Identifier: Apache-2.0
/*
 * usbip_board.c - `usbip_board bulk|iso BYTES_PER_S`: a board of the board file bulk-packed-12 or
 * iso-8x16 behind the kernel's USB/IP host controller (vhci), in a process of its own. It answers
 * each URB itself, so it can end one with any status, as a noisy cable or a bad board would;
 * software gadgets cannot.
 *
 * Faults are named on standard input, a word a line: eproto eilseq overflow stall short skip. The
 * packets of a URB (of an isochronous one: its first packet) that end with a status are lost: the
 * board has sent them. What is spoken: Documentation/usb/usbip_protocol.rst of the kernel.
 */
#include "counting.h"
#include "pace.h"

#include <arpa/inet.h>
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

#define ATTACH       "/sys/devices/platform/vhci_hcd.0/attach"
#define DEVICE_ID    0x10002
#define HIGH_SPEED   3
#define WAITING      64 /* URBs that the host has queued */
#define MOST         (64 * 1024)
#define PACKETS_MOST 128 /* of an isochronous URB: as many as Linux takes */

enum { SUBMIT = 1, UNLINK = 2, SUBMITTED = 3, UNLINKED = 4 };

/* As on the wire: every number highest byte first. */
struct message {
    uint32_t command, sequence, device, in, endpoint;
    union {
        struct {
            uint32_t flags, length, frame, packets, interval;
            uint8_t setup[8];
        } submit;
        struct {
            int32_t status;
            uint32_t length, frame, packets, errors;
            uint8_t unused[8];
        } submitted;
        uint32_t unlinked;
        uint8_t bytes[28];
    };
};

static const uint8_t device_descriptor[18] = {18, 1, 0, 2, 0, 0, 0, 64, 0x09,
                                              18, 2, 0, 0, 1, 1, 2, 3,  1};
static const uint8_t bulk_configuration[] = {9, 2, 25,   0, 1, 1,    0, 0x80, 50, /**/
                                             9, 4, 0,    0, 1, 0xff, 0, 0,    0,  /**/
                                             7, 5, 0x81, 2, 0, 2,    0};
/* Nothing flows in alternate setting 0; in 1 a packet every 8 microframes, which is 1 ms. */
static const uint8_t iso_configuration[] = {9, 2, 34,   0, 1,        1,    0, 0x80, 50, /**/
                                            9, 4, 0,    0, 0,        0xff, 0, 0,    0,  /**/
                                            9, 4, 0,    1, 1,        0xff, 0, 0,    0,  /**/
                                            7, 5, 0x81, 5, ISO_SIZE, 0,    4};
static const char *const texts[] = {"", "nobody", "counting", "VHCI01"};

struct iso_packet {
    uint32_t offset, length, sent, status;
};

struct urb {
    struct message message;
    struct iso_packet packets[PACKETS_MOST];
};

static bool iso;
static int host;
static struct urb waiting[WAITING]; /* of the endpoint that scans come from, oldest first */
static unsigned waiting_count;
static bool started, halted;
static uint32_t number; /* of the next packet */
static struct pace pace;
static int fault; /* a status for the next URB, or 0 */
static bool cut_short;

static void read_whole(void *bytes, size_t count) {
    for (size_t at = 0; at < count;) {
        ssize_t part = read(host, (char *)bytes + at, count - at);
        if (part <= 0)
            exit(0); /* the host has let go */
        at += (size_t)part;
    }
}

static void write_whole(const void *bytes, size_t count) {
    for (size_t at = 0; at < count;) {
        ssize_t part = write(host, (const char *)bytes + at, count - at);
        if (part <= 0)
            exit(0);
        at += (size_t)part;
    }
}

static void answer(const struct message *asked, int status, const uint8_t *bytes, size_t length) {
    struct message message = {.command = htonl(SUBMITTED), .sequence = asked->sequence};
    message.submitted.status = (int32_t)htonl((uint32_t)status);
    message.submitted.length = htonl((uint32_t)length);
    message.submitted.packets = iso && asked->endpoint != 0 ? asked->submit.packets : 0;
    write_whole(&message, sizeof message);
    if (bytes)
        write_whole(bytes, length);
}

/* ---- endpoint 0 ---- */

static size_t put_text(unsigned index, uint8_t *bytes) {
    if (index >= sizeof texts / sizeof texts[0])
        return 0;
    size_t length = index == 0 ? 1 : strlen(texts[index]);
    bytes[0] = (uint8_t)(2 + 2 * length);
    bytes[1] = 3;
    for (size_t i = 0; i < length; i++) {
        bytes[2 + 2 * i] = index == 0 ? 0x09 : (uint8_t)texts[index][i];
        bytes[3 + 2 * i] = index == 0 ? 0x04 : 0;
    }
    return bytes[0];
}

static size_t put_descriptor(const uint8_t *setup, uint8_t *bytes) {
    if (setup[3] == 3)
        return put_text(setup[2], bytes);
    if (setup[3] != 1 && setup[3] != 2)
        return 0;
    const uint8_t *from = iso ? iso_configuration : bulk_configuration;
    if (setup[3] == 1)
        from = device_descriptor;
    size_t length = setup[3] == 1 ? sizeof device_descriptor : from[2];
    memcpy(bytes, from, length);
    return length;
}

static void start(bool wanted) {
    if (started)
        printf("sent %.2f MB at %.2f MB/s, scans 0 to %lu\n", (double)pace.sent / 1e6,
               pace_reached(&pace) / 1e6, (unsigned long)number * (iso ? ISO_SCANS : BULK_SCANS));
    started = wanted;
    number = 0;
    pace_begin(&pace, pace.bytes_per_s);
}

static void answer_control(const struct message *asked) {
    const uint8_t *setup = asked->submit.setup;
    uint8_t bytes[64] = {0};
    size_t most = (size_t)(setup[6] | setup[7] << 8), length = 0;
    int status = 0;
    if (setup[0] == 0x80 && setup[1] == 6) { /* get descriptor */
        length = put_descriptor(setup, bytes);
        status = length > 0 ? 0 : -EPIPE;
    } else if (setup[0] == 0x80 && setup[1] == 0) /* get status */
        length = 2;
    else if (setup[0] == 0x80 && setup[1] == 8) /* get configuration */
        bytes[length++] = 1;
    else if (setup[0] == 0x02 && setup[1] == 1) /* clear halt */
        halted = false;
    else if (setup[0] == 0x40 && setup[1] == 1)
        start(setup[2] == 1);
    length = length < most ? length : most;
    answer(asked, status, asked->in ? bytes : NULL, length);
}

/* ---- the endpoint that scans come from ---- */

static void answer_bulk(const struct message *asked) {
    static uint8_t bytes[MOST];
    size_t packets = ntohl(asked->submit.length) / BULK_SIZE;
    if (packets > MOST / BULK_SIZE)
        packets = MOST / BULK_SIZE;
    for (size_t i = 0; i < packets && !halted; i++)
        counting_bulk_packet(number++, bytes + i * BULK_SIZE);
    if (halted || fault != 0) {
        halted = halted || fault == EPIPE;
        printf("a URB of %zu packets ends with status %d\n", packets, halted ? EPIPE : fault);
        answer(asked, halted ? -EPIPE : -fault, NULL, 0);
    } else
        answer(asked, 0, bytes, packets * BULK_SIZE - (cut_short ? BULK_SIZE / 2 : 0));
    pace.sent += packets * BULK_SIZE;
}

/* One of ours in each packet of the URB; the bytes sent stand one behind the other. */
static void answer_iso(struct urb *urb) {
    static uint8_t bytes[PACKETS_MOST * ISO_SIZE];
    size_t length = 0, packets = ntohl(urb->message.submit.packets);
    for (size_t i = 0; i < packets; i++) {
        bool lost = i == 0 && fault != 0;
        size_t size = lost ? 0 : i == 0 && cut_short ? ISO_SIZE / 2 : ISO_SIZE;
        uint8_t packet[ISO_SIZE];
        counting_iso_packet(number++, packet);
        memcpy(bytes + length, packet, size);
        length += size;
        urb->packets[i].sent = htonl((uint32_t)size);
        urb->packets[i].status = htonl((uint32_t)(lost ? -fault : 0));
    }
    if (fault != 0)
        printf("a packet of a URB ends with status %d\n", fault);
    answer(&urb->message, 0, bytes, length);
    write_whole(urb->packets, packets * sizeof urb->packets[0]);
    pace.sent += packets * ISO_SIZE;
}

static void answer_oldest(void) {
    struct urb *urb = &waiting[0];
    if (iso)
        answer_iso(urb);
    else
        answer_bulk(&urb->message);
    memmove(waiting, waiting + 1, --waiting_count * sizeof waiting[0]);
    fault = 0;
    cut_short = false;
}

static void withdraw(const struct message *asked) {
    struct message message = {.command = htonl(UNLINKED), .sequence = asked->sequence};
    for (unsigned i = 0; i < waiting_count; i++) {
        if (waiting[i].message.sequence != asked->unlinked)
            continue;
        memmove(waiting + i, waiting + i + 1, (--waiting_count - i) * sizeof waiting[0]);
        message.submitted.status = (int32_t)htonl((uint32_t)-ECONNRESET);
        break;
    }
    write_whole(&message, sizeof message);
}

static void take_urb(const struct message *message) {
    if (waiting_count == WAITING || (iso && ntohl(message->submit.packets) > PACKETS_MOST)) {
        fputs("usbip_board: more than is planned for\n", stderr);
        exit(1);
    }
    struct urb *urb = &waiting[waiting_count++];
    urb->message = *message;
    if (iso)
        read_whole(urb->packets, ntohl(message->submit.packets) * sizeof urb->packets[0]);
}

static void take_message(void) {
    struct message message;
    read_whole(&message, sizeof message);
    if (ntohl(message.command) == UNLINK)
        withdraw(&message);
    else if (message.endpoint == 0)
        answer_control(&message);
    else
        take_urb(&message);
}

static void take_fault(void) {
    static const struct {
        const char *name;
        int status;
    } faults[] = {
        {"eproto", EPROTO}, {"eilseq", EILSEQ}, {"overflow", EOVERFLOW}, {"stall", EPIPE}};
    char word[32] = "";
    if (!fgets(word, sizeof word, stdin))
        exit(0);
    word[strcspn(word, "\n")] = '\0';
    for (size_t i = 0; i < sizeof faults / sizeof faults[0]; i++)
        if (strcmp(word, faults[i].name) == 0)
            fault = faults[i].status;
    if (strcmp(word, "skip") == 0)
        number += 10;
    cut_short = cut_short || strcmp(word, "short") == 0;
}

/* Hands the host's end of a socket to the kernel; the rest is the board's. */
static int attach(void) {
    int ends[2];
    char line[64];
    int file = open(ATTACH, O_WRONLY | O_CLOEXEC);
    if (file < 0 || socketpair(AF_UNIX, SOCK_STREAM, 0, ends) < 0)
        return -1;
    int length = snprintf(line, sizeof line, "0 %d %d %d", ends[0], DEVICE_ID, HIGH_SPEED);
    if (write(file, line, (size_t)length) != length)
        return -1;
    close(file);
    close(ends[0]);
    return ends[1];
}

/* Milliseconds until the oldest URB is due: as long as its bytes take. */
static int wait_ms(void) {
    if (waiting_count == 0 || !started)
        return halted && waiting_count > 0 ? 0 : 1000;
    const struct message *oldest = &waiting[0].message;
    double bytes = (double)pace.sent + (iso ? ntohl(oldest->submit.packets) * (double)ISO_SIZE
                                            : ntohl(oldest->submit.length));
    double due = pace.begin_s + bytes / pace.bytes_per_s;
    double left_s = due - pace_now_s();
    return left_s > 0 ? (int)(left_s * 1000) + 1 : 0;
}

int main(int argc, char **argv) {
    setvbuf(stdout, NULL, _IOLBF, 0);
    setvbuf(stdin, NULL, _IONBF, 0);
    iso = argc == 3 && strcmp(argv[1], "iso") == 0;
    pace.bytes_per_s = argc == 3 ? atof(argv[2]) : 0;
    if (pace.bytes_per_s <= 0) {
        fputs("usage: usbip_board bulk|iso BYTES_PER_S\n", stderr);
        return 2;
    }
    host = attach();
    if (host < 0) {
        perror("usbip_board: " ATTACH);
        return 1;
    }
    puts("ready");
    for (;;) {
        struct pollfd ready[] = {{.fd = host, .events = POLLIN}, {.fd = 0, .events = POLLIN}};
        (void)poll(ready, 2, wait_ms());
        if (ready[0].revents)
            take_message();
        if (ready[1].revents)
            take_fault();
        if (waiting_count > 0 && (started || halted) && wait_ms() == 0)
            answer_oldest();
    }
}
