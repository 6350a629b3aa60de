// SPDX-License-Identifier: Apache-2.0
/*
 * bulk_board.c - `bulk_board FOLDER BYTES_PER_S`: a USB board of the board file bulk-packed-12,
 * played through FunctionFS mounted on FOLDER. Each start request begins a new count.
 * BYTES_PER_S 0: as fast as it goes. SIGUSR1 has it skip 10 packets.
 *
 * Says "ready" when it may be plugged in, and what it sent each time it ends sending.
 */
#include "counting.h"
#include "functionfs.h"
#include "pace.h"

#include <errno.h>
#include <pthread.h>
#include <signal.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define SKIPPED       10
#define WRITE_PACKETS 32  /* at a limited rate; a write takes a tick of the kernel's at least */
#define WRITE_MOST    128 /* 64 KiB */

#define INTERFACE                                                                                  \
    {                                                                                              \
        .bLength = USB_DT_INTERFACE_SIZE, .bDescriptorType = USB_DT_INTERFACE, .bNumEndpoints = 1, \
        .bInterfaceClass = USB_CLASS_VENDOR_SPEC, .iInterface = 1                                  \
    }

struct function {
    struct usb_interface_descriptor interface;
    struct usb_endpoint_descriptor_no_audio in;
} __attribute__((packed));

static const struct {
    struct usb_functionfs_descs_head_v2 head;
    uint32_t full_count, high_count;
    struct function full, high;
} __attribute__((packed)) descriptors = {
    /* The start request is for the device, not the interface: all requests are asked for. */
    .head = {FUNCTIONFS_DESCRIPTORS_MAGIC_V2, sizeof descriptors,
             FUNCTIONFS_HAS_FS_DESC | FUNCTIONFS_HAS_HS_DESC | FUNCTIONFS_ALL_CTRL_RECIP},
    .full_count = 2,
    .high_count = 2,
    .full = {INTERFACE, FUNCTIONFS_BULK(1 | USB_DIR_IN, 64)},
    .high = {INTERFACE, FUNCTIONFS_BULK(1 | USB_DIR_IN, 512)},
};

static int control, in;
static double bytes_per_s;
static atomic_bool plugged;
static atomic_uint starts; /* odd: started; even: stopped */
static atomic_uint skip;

static void on_signal(int number) {
    (void)number;
    atomic_fetch_add(&skip, SKIPPED);
}

/* Never in the sending thread: an interrupted write may have sent some of its packets. */
static void hold_signals(void) {
    sigset_t skips;
    sigemptyset(&skips);
    sigaddset(&skips, SIGUSR1);
    (void)pthread_sigmask(SIG_BLOCK, &skips, NULL);
}

static void take_signals(void) {
    struct sigaction action = {.sa_handler = on_signal, .sa_flags = SA_RESTART};
    sigset_t none;
    sigemptyset(&none);
    (void)sigaction(SIGUSR1, &action, NULL);
    (void)pthread_sigmask(SIG_SETMASK, &none, NULL);
}

/* Sends until the board is stopped, unplugged or started anew. */
static void send_one_count(unsigned started) {
    static uint8_t bytes[WRITE_MOST * BULK_SIZE];
    unsigned packets = bytes_per_s > 0 ? WRITE_PACKETS : WRITE_MOST;
    uint32_t number = 0;
    struct pace pace;
    pace_begin(&pace, bytes_per_s);
    while (plugged && atomic_load(&starts) == started) {
        number += atomic_exchange(&skip, 0);
        for (unsigned i = 0; i < packets; i++)
            counting_bulk_packet(number + i, bytes + (size_t)i * BULK_SIZE);
        ssize_t written = write(in, bytes, (size_t)packets * BULK_SIZE);
        if (written < 0 && errno != EINTR)
            break;
        if (written > 0) {
            number += (uint32_t)written / BULK_SIZE;
            pace_sent(&pace, (size_t)written);
        }
    }
    printf("sent %.2f MB at %.2f MB/s, scans 0 to %lu\n", (double)pace.sent / 1e6,
           pace_reached(&pace) / 1e6, (unsigned long)number * BULK_SCANS);
}

static void *send_counts(void *unused) {
    for (;;) {
        unsigned started = atomic_load(&starts);
        if (plugged && started % 2)
            send_one_count(started);
        usleep(1000);
    }
    return unused;
}

/* control 40 01 0001 0000 starts, 40 01 0000 0000 stops; anything else is refused. */
static void answer(const struct usb_ctrlrequest *request) {
    bool ours = request->bRequestType == 0x40 && request->bRequest == 1 && request->wValue < 2;
    if (!ours) {
        functionfs_refuse(control, request);
        return;
    }
    unsigned now = atomic_load(&starts);
    atomic_store(&starts, request->wValue ? (now + 1) | 1 : (now + 1) & ~1u);
    functionfs_accept(control);
}

static void take_event(const struct usb_functionfs_event *event) {
    if (event->type == FUNCTIONFS_ENABLE)
        plugged = true;
    else if (event->type == FUNCTIONFS_DISABLE || event->type == FUNCTIONFS_UNBIND) {
        plugged = false; /* it has lost its power: it forgets that it was started */
        atomic_store(&starts, (atomic_load(&starts) + 1) & ~1u);
    } else if (event->type == FUNCTIONFS_SETUP)
        answer(&event->u.setup);
}

int main(int argc, char **argv) {
    pthread_t sender;
    hold_signals();
    setvbuf(stdout, NULL, _IOLBF, 0);
    if (argc != 3) {
        fputs("usage: bulk_board FOLDER BYTES_PER_S\n", stderr);
        return 2;
    }
    bytes_per_s = atof(argv[2]);
    control = functionfs_begin(argv[1], &descriptors, sizeof descriptors);
    if (control < 0)
        return 1;
    in = functionfs_open(argv[1], 1);
    if (in < 0 || pthread_create(&sender, NULL, send_counts, NULL) != 0)
        return 1;
    take_signals();
    puts("ready");
    functionfs_follow(control, take_event);
    return 1;
}
