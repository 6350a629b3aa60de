// SPDX-License-Identifier: Apache-2.0
/*
 * tmc_board.c - `tmc_board FOLDER`: a burst board of the board file tmc-burst-4x16, a device of the
 * USB Test and Measurement Class (USBTMC 1.0, April 2003), played through FunctionFS mounted on
 * FOLDER. Each scan carries the number of scans before it that were taken, and how many its
 * converter would have taken by then without pauses. SIGUSR1 has it keep its next block to itself.
 *
 * Says "ready" when it may be plugged in, and what it sent when it has no power any more.
 */
#include "functionfs.h"
#include "pace.h"

#include <pthread.h>
#include <signal.h>
#include <stdatomic.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define HEADER      12
#define MESSAGE_OUT 1
#define MESSAGE_IN  2
#define LAST        1     /* of the header's attributes: the message ends here */
#define SCAN_BYTES  8     /* four values, highest byte first */
#define SCANS_MAX   10000 /* of a block */
#define READ_BYTES  4096  /* a multiple of any packet size */

#define SUCCESS 1
#define PENDING 2

#define INTERFACE                                                                                  \
    {                                                                                              \
        .bLength = USB_DT_INTERFACE_SIZE, .bDescriptorType = USB_DT_INTERFACE, .bNumEndpoints = 2, \
        .bInterfaceClass = USB_CLASS_APP_SPEC, .bInterfaceSubClass = 3, .iInterface = 1            \
    }

struct function {
    struct usb_interface_descriptor interface;
    struct usb_endpoint_descriptor_no_audio out, in;
} __attribute__((packed));

static const struct {
    struct usb_functionfs_descs_head_v2 head;
    uint32_t full_count, high_count;
    struct function full, high;
} __attribute__((packed)) descriptors = {
    .head = {FUNCTIONFS_DESCRIPTORS_MAGIC_V2, sizeof descriptors,
             FUNCTIONFS_HAS_FS_DESC | FUNCTIONFS_HAS_HS_DESC},
    .full_count = 3,
    .high_count = 3,
    .full = {INTERFACE, FUNCTIONFS_BULK(2, 64), FUNCTIONFS_BULK(1 | USB_DIR_IN, 64)},
    .high = {INTERFACE, FUNCTIONFS_BULK(2, 512), FUNCTIONFS_BULK(1 | USB_DIR_IN, 512)},
};

static int control, in, out;
static atomic_bool plugged, answering, clearing, keep_one;

/* Of the thread that answers. */
static double rate, begin_s;
static unsigned block;
static uint32_t taken, sent;
static uint8_t message[32 + SCAN_BYTES * SCANS_MAX];
static size_t length, said;
static bool kept;

static void on_signal(int number) {
    (void)number;
    keep_one = true;
}

/* ---- blocks ---- */

static void put_number(uint8_t *bytes, uint32_t number) {
    const uint32_t value[2] = {number & 0x7fff, number >> 15 & 0x7fff};
    for (int i = 0; i < 2; i++) {
        bytes[2 * i] = (uint8_t)(value[i] >> 8);
        bytes[2 * i + 1] = (uint8_t)value[i];
    }
}

/* Takes a block from now on, as long as that lasts. */
static void take_block(void) {
    struct pace pace;
    pace_begin(&pace, rate);
    uint32_t converter = (uint32_t)((pace.begin_s - begin_s) * rate);
    length = (size_t)sprintf((char *)message, "#6%06u", block * SCAN_BYTES);
    for (unsigned i = 0; i < block; i++, length += SCAN_BYTES) {
        put_number(message + length, taken++);
        put_number(message + length + 4, converter + i);
    }
    message[length++] = '\n';
    said = 0;
    kept = atomic_exchange(&keep_one, false);
    pace_sent(&pace, block);
}

/* One command, without its line feed. */
static void obey(const char *command) {
    unsigned number;
    if (strcmp(command, "ACQ:READ?") == 0)
        take_block();
    else if (strcmp(command, "*RST") == 0) {
        rate = 1;
        block = 1;
    } else if (sscanf(command, "ACQ:SCANS %u", &number) == 1)
        block = number < SCANS_MAX ? number : SCANS_MAX;
    else if (sscanf(command, "ACQ:RATE %lf", &rate) != 1 &&
             strcmp(command, "ACQ:INPUTS 0:3") != 0 && strcmp(command, "ABOR") != 0)
        printf("no such command: %s\n", command);
}

/* The next piece of the message, where there is one; each ends with a short packet. */
static void say(uint8_t tag, size_t most) {
    static uint8_t transfer[HEADER + sizeof message + 3];
    size_t left = length - said;
    size_t now = left < most ? left : most;
    const uint8_t header[HEADER] = {MESSAGE_IN,
                                    tag,
                                    (uint8_t)~tag,
                                    0,
                                    (uint8_t)now,
                                    (uint8_t)(now >> 8),
                                    (uint8_t)(now >> 16),
                                    (uint8_t)(now >> 24),
                                    now == left ? LAST : 0};
    if (left == 0 || kept)
        return;
    memcpy(transfer, header, sizeof header);
    memcpy(transfer + HEADER, message + said, now);
    memset(transfer + HEADER + now, 0, 3);
    size_t size = HEADER + (now + 3) / 4 * 4;
    if (write(in, transfer, size) != (ssize_t)size)
        return;
    if (size % 512 == 0)
        (void)!write(in, transfer, 0);
    said += now;
    sent += said == length ? block : 0;
}

/* What one transfer asks for. */
static void take_transfer(uint8_t *bytes, size_t count) {
    size_t announced = bytes[4] | (size_t)bytes[5] << 8 | (size_t)bytes[6] << 16;
    if (count < HEADER || bytes[1] == 0 || bytes[1] + bytes[2] != 0xff || count % 4 != 0)
        puts("no header of the class");
    else if (bytes[0] == MESSAGE_IN)
        say(bytes[1], announced);
    else if (bytes[0] == MESSAGE_OUT && announced + HEADER < READ_BYTES) {
        bytes[HEADER + announced] = '\0';
        bytes[HEADER + strcspn((char *)bytes + HEADER, "\n")] = '\0';
        obey((char *)bytes + HEADER);
    }
}

static void *answer_transfers(void *unused) {
    static uint8_t bytes[READ_BYTES];
    for (;;) {
        ssize_t count = read(out, bytes, sizeof bytes);
        answering = true;
        if (count > 0)
            take_transfer(bytes, (size_t)count);
        if (clearing)
            length = said = 0;
        clearing = answering = false;
        if (count < 0)
            usleep(10000);
    }
    return unused;
}

/* ---- events ---- */

/* Class requests 5 and 6 clear, in the time that the other thread needs to come to its end; 7 asks
 * for capabilities, of which there are none. */
static void answer(const struct usb_ctrlrequest *request) {
    uint8_t bytes[24] = {SUCCESS, 0, 0, 1};
    if (request->bRequestType != 0xa1 || request->bRequest < 5 || request->bRequest > 7) {
        functionfs_refuse(control, request);
        return;
    }
    if (request->bRequest == 5)
        clearing = answering;
    else if (request->bRequest == 6 && clearing)
        memcpy(bytes, (const uint8_t[2]){PENDING, 1}, 2);
    functionfs_answer(control, request, bytes, request->bRequest == 7 ? 24 : request->bRequest - 4);
}

static void take_event(const struct usb_functionfs_event *event) {
    if (event->type == FUNCTIONFS_ENABLE) {
        taken = sent = 0;
        length = said = 0;
        begin_s = pace_now_s();
        plugged = true;
    } else if (event->type == FUNCTIONFS_DISABLE || event->type == FUNCTIONFS_UNBIND) {
        if (atomic_exchange(&plugged, false))
            printf("sent %lu scans of %lu\n", (unsigned long)sent, (unsigned long)taken);
    } else if (event->type == FUNCTIONFS_SETUP)
        answer(&event->u.setup);
}

int main(int argc, char **argv) {
    struct sigaction action = {.sa_handler = on_signal, .sa_flags = SA_RESTART};
    sigset_t skips;
    pthread_t thread;
    setvbuf(stdout, NULL, _IOLBF, 0);
    if (argc != 2) {
        fputs("usage: tmc_board FOLDER\n", stderr);
        return 2;
    }
    control = functionfs_begin(argv[1], &descriptors, sizeof descriptors);
    if (control < 0)
        return 1;
    sigemptyset(&skips);
    sigaddset(&skips, SIGUSR1);
    (void)pthread_sigmask(SIG_BLOCK, &skips, NULL); /* an interrupted transfer may be half done */
    out = functionfs_open(argv[1], 1);
    in = functionfs_open(argv[1], 2);
    if (out < 0 || in < 0 || pthread_create(&thread, NULL, answer_transfers, NULL) != 0)
        return 1;
    (void)sigaction(SIGUSR1, &action, NULL);
    (void)pthread_sigmask(SIG_UNBLOCK, &skips, NULL);
    puts("ready");
    functionfs_follow(control, take_event);
    return 1;
}
