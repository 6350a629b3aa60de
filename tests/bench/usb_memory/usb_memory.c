// SPDX-License-Identifier: Apache-2.0
/*
 * usb_memory.c - the functions of libusb that the transport calls, on a device in memory; and, by
 * the linker's --wrap, what stands around the transport: the list of devices and the read.
 */
#include "usb_memory.h"

#include "transport.h"
#include "usb_devices.h"

#include <libusb.h>
#include <limits.h>
#include <stdatomic.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

enum { QUEUE = 64, SECOND_NS = 1000000000 };

static struct usb_memory_source source;
static struct libusb_transfer *queue[QUEUE]; /* oldest first */
static bool cancelled[QUEUE];
static size_t queued;
static bool running;
static char handle, context, device; /* addresses that stand for them */

void usb_memory_plug(const struct usb_memory_source *given) {
    source = *given;
    running = false;
    queued = 0;
}

static int64_t now_ns(void) {
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (int64_t)now.tv_sec * SECOND_NS + now.tv_nsec;
}

/* ---- transfers ---- */

static void finish(size_t index, enum libusb_transfer_status status, size_t length) {
    struct libusb_transfer *transfer = queue[index];
    queued--;
    memmove(queue + index, queue + index + 1, (queued - index) * sizeof *queue);
    memmove(cancelled + index, cancelled + index + 1, (queued - index) * sizeof *cancelled);
    transfer->status = status;
    transfer->actual_length = (int)length;
    transfer->callback(transfer);
}

int libusb_submit_transfer(struct libusb_transfer *transfer) {
    if (queued == QUEUE)
        return LIBUSB_ERROR_NO_MEM;
    cancelled[queued] = false;
    queue[queued++] = transfer;
    return 0;
}

int libusb_cancel_transfer(struct libusb_transfer *transfer) {
    for (size_t i = 0; i < queued; i++)
        if (queue[i] == transfer && !cancelled[i]) {
            cancelled[i] = true;
            return 0;
        }
    return LIBUSB_ERROR_NOT_FOUND;
}

int libusb_handle_events_timeout_completed(libusb_context *unused, struct timeval *wait,
                                           int *completed) {
    (void)unused;
    (void)completed;
    int64_t wait_ns = (int64_t)wait->tv_sec * SECOND_NS + (int64_t)wait->tv_usec * 1000;
    int64_t source_ns = wait_ns;
    bool any = false;
    for (size_t i = 0; i < queued;)
        if (cancelled[i]) {
            finish(i, LIBUSB_TRANSFER_CANCELLED, 0);
            any = true;
        } else {
            i++;
        }
    size_t length = running && queued ? source.fill(source.context, queue[0]->buffer,
                                                    (size_t)queue[0]->length, &source_ns)
                                      : 0;
    if (length)
        finish(0, LIBUSB_TRANSFER_COMPLETED, length);
    if (length || any)
        return 0;
    if (source_ns < wait_ns)
        wait_ns = source_ns;
    const struct timespec pause = {(time_t)(wait_ns / SECOND_NS), (long)(wait_ns % SECOND_NS)};
    (void)nanosleep(&pause, NULL);
    return 0;
}

struct libusb_transfer *libusb_alloc_transfer(int packets) {
    (void)packets;
    return calloc(1, sizeof(struct libusb_transfer));
}

void libusb_free_transfer(struct libusb_transfer *transfer) {
    free(transfer);
}

void libusb_interrupt_event_handler(libusb_context *unused) {
    (void)unused; /* it waits for milliseconds only */
}

/* ---- the device ---- */

int libusb_control_transfer(libusb_device_handle *unused, uint8_t type, uint8_t request,
                            uint16_t value, uint16_t index, unsigned char *data, uint16_t length,
                            unsigned timeout) {
    (void)unused;
    (void)type;
    (void)request;
    (void)index;
    (void)data;
    (void)timeout;
    running = value != 0;
    return length;
}

int libusb_bulk_transfer(libusb_device_handle *unused, unsigned char endpoint, unsigned char *data,
                         int length, int *sent, unsigned timeout) {
    (void)unused;
    (void)endpoint;
    (void)data;
    (void)timeout;
    *sent = length;
    return 0;
}

int libusb_get_active_config_descriptor(libusb_device *unused,
                                        struct libusb_config_descriptor **config) {
    static const struct libusb_endpoint_descriptor endpoint = {
        .bEndpointAddress = 0x81, .bmAttributes = 2, .wMaxPacketSize = 512};
    static const struct libusb_interface_descriptor setting = {.bNumEndpoints = 1,
                                                               .endpoint = &endpoint};
    static const struct libusb_interface interface = {&setting, 1};
    static struct libusb_config_descriptor only = {.bNumInterfaces = 1, .interface = &interface};
    (void)unused;
    *config = &only;
    return 0;
}

void libusb_free_config_descriptor(struct libusb_config_descriptor *config) {
    (void)config;
}

int libusb_init(libusb_context **made) {
    *made = (libusb_context *)(void *)&context;
    return 0;
}

void libusb_exit(libusb_context *unused) {
    (void)unused;
}

int libusb_set_option(libusb_context *unused, enum libusb_option option, ...) {
    (void)unused;
    (void)option;
    return 0;
}

int libusb_wrap_sys_device(libusb_context *unused, intptr_t descriptor,
                           libusb_device_handle **wrapped) {
    (void)unused;
    (void)descriptor;
    *wrapped = (libusb_device_handle *)(void *)&handle;
    return 0;
}

libusb_device *libusb_get_device(libusb_device_handle *unused) {
    (void)unused;
    return (libusb_device *)(void *)&device;
}

void libusb_close(libusb_device_handle *unused) {
    (void)unused;
}

int libusb_claim_interface(libusb_device_handle *unused, int interface) {
    (void)unused;
    (void)interface;
    return 0;
}

int libusb_release_interface(libusb_device_handle *unused, int interface) {
    (void)unused;
    (void)interface;
    return 0;
}

int libusb_set_auto_detach_kernel_driver(libusb_device_handle *unused, int enable) {
    (void)unused;
    (void)enable;
    return 0;
}

int libusb_set_interface_alt_setting(libusb_device_handle *unused, int interface, int alternate) {
    (void)unused;
    (void)interface;
    (void)alternate;
    return 0;
}

int libusb_clear_halt(libusb_device_handle *unused, unsigned char endpoint) {
    (void)unused;
    (void)endpoint;
    return 0;
}

int libusb_reset_device(libusb_device_handle *unused) {
    (void)unused;
    return 0;
}

/* ---- around the transport ---- */

int __wrap_usb_devices_find(const struct board_id *ids, const char *wanted,
                            struct usb_device *found);
int __wrap_usb_devices_find(const struct board_id *ids, const char *wanted,
                            struct usb_device *found) {
    (void)ids;
    (void)wanted;
    *found = (struct usb_device){.node = "/dev/null", .port = "1-1"};
    return 0;
}

static _Atomic int64_t longest_ns;

int64_t usb_memory_longest_away_ns(void) {
    return atomic_exchange(&longest_ns, 0);
}

int __real_transport_read(struct transport *transport, uint8_t *bytes, size_t size, int timeout_ms);
int __wrap_transport_read(struct transport *transport, uint8_t *bytes, size_t size, int timeout_ms);
int __wrap_transport_read(struct transport *transport, uint8_t *bytes, size_t size,
                          int timeout_ms) {
    static const struct transport *last; /* opened anew: what was before does not count */
    static int64_t left_ns;
    int64_t away_ns = last == transport ? now_ns() - left_ns : 0;
    if (away_ns > atomic_load(&longest_ns))
        atomic_store(&longest_ns, away_ns);
    int result = __real_transport_read(transport, bytes, size, timeout_ms);
    last = transport;
    left_ns = now_ns();
    return result;
}
