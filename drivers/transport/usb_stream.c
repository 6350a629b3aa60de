// SPDX-License-Identifier: Apache-2.0
/*
 * usb_stream.c - keeps an endpoint's transfers queued and hands their bytes on in order.
 *
 * A transfer is flying (the kernel has it), done (waits to be read, oldest first), or idle. Its
 * callback only moves it from flying to done; what its status means is decided in the order of the
 * bytes, when it is read.
 */
#include "usb_stream.h"

#include "monotonic.h"
#include "usb_handle.h"
#include "usb_plan.h"

#include <errno.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#define STALE_MS        50   /* what comes so soon was queued in the board before it was started */
#define TEARDOWN_MS     2000 /* for cancelled transfers to come back */
#define STALLS_MAX      3 /* in STALLS_WITHIN_MS: then stalls are not the board's way of pausing */
#define STALLS_WITHIN   10000
#define TRANSFERS_LEAST 2 /* with fewer the endpoint rests between transfers */

struct slot {
    struct usb_stream *stream;
    struct libusb_transfer *transfer;
    struct slot *next; /* in the list of done ones */
    size_t used;       /* bytes handed on; isochronous: of its packet `packet` */
    int packet;
    bool carried, lost; /* some of its packets had bytes; some were lost */
};

struct usb_stream {
    struct usb_handle usb;
    struct transport_usb kept;
    struct usb_plan plan;
    struct slot *slots;
    uint8_t *memory;
    size_t flying;
    struct slot *done, **done_end;
    size_t errors; /* in a row */
    int64_t stall_ms[STALLS_MAX];
    unsigned stalls;
    atomic_bool interrupted;
    bool gone;
    char remark[200];
};

/* ---- transfers ---- */

static void LIBUSB_CALL on_done(struct libusb_transfer *transfer) {
    struct slot *slot = transfer->user_data;
    struct usb_stream *stream = slot->stream;
    stream->flying--;
    slot->next = NULL;
    slot->used = 0;
    slot->packet = 0;
    slot->carried = slot->lost = false;
    *stream->done_end = slot;
    stream->done_end = &slot->next;
}

static struct slot *take_done(struct usb_stream *stream) {
    struct slot *slot = stream->done;
    stream->done = slot->next;
    if (stream->done == NULL)
        stream->done_end = &stream->done;
    return slot;
}

static void forget_done(struct usb_stream *stream) {
    while (stream->done != NULL)
        (void)take_done(stream);
}

static int submit(struct slot *slot) {
    int result = libusb_submit_transfer(slot->transfer);
    if (result == 0)
        slot->stream->flying++;
    return usb_handle_error(result);
}

/* Handles events for at most so long, or until something is done or all have come back. */
static void handle_events(struct usb_stream *stream, int64_t ms) {
    struct timeval wait = {(time_t)(ms / 1000), (suseconds_t)(ms % 1000) * 1000};
    (void)libusb_handle_events_timeout_completed(stream->usb.context, &wait, NULL);
}

/* Cancels all and waits until each has come back. False where some never do. */
static bool recall_all(struct usb_stream *stream) {
    int64_t deadline = monotonic_ms() + TEARDOWN_MS;
    for (size_t i = 0; i < stream->plan.transfers; i++)
        if (stream->slots[i].transfer != NULL)
            (void)libusb_cancel_transfer(stream->slots[i].transfer); /* idle ones: not found */
    while (stream->flying > 0 && monotonic_ms() < deadline)
        handle_events(stream, 50);
    return stream->flying == 0;
}

static void free_slots(struct usb_stream *stream) {
    for (size_t i = 0; stream->slots != NULL && i < stream->plan.transfers; i++)
        libusb_free_transfer(stream->slots[i].transfer);
    free(stream->slots);
    free(stream->memory);
    stream->slots = NULL;
    stream->memory = NULL;
}

/* What a slot asks for: its part of the memory, in one piece or as packets of the bus. */
static int make_transfer(struct usb_stream *stream, struct slot *slot, uint8_t *memory) {
    const struct usb_handle *usb = &stream->usb;
    int length = (int)stream->plan.length;
    int packets = stream->kept.usb->iso ? length / (int)usb->packet_size : 0;
    slot->stream = stream;
    slot->transfer = libusb_alloc_transfer(packets);
    if (slot->transfer == NULL)
        return -ENOMEM;
    if (packets == 0) {
        libusb_fill_bulk_transfer(slot->transfer, usb->handle, stream->kept.usb->endpoint, memory,
                                  length, on_done, slot, 0);
        return 0;
    }
    libusb_fill_iso_transfer(slot->transfer, usb->handle, stream->kept.usb->endpoint, memory,
                             length, packets, on_done, slot, 0);
    libusb_set_iso_packet_lengths(slot->transfer, (unsigned)usb->packet_size);
    return 0;
}

static int make_slots(struct usb_stream *stream) {
    const struct usb_plan *plan = &stream->plan;
    stream->slots = calloc(plan->transfers, sizeof *stream->slots);
    stream->memory = malloc(plan->transfers * plan->length);
    if (stream->slots == NULL || stream->memory == NULL)
        return -ENOMEM;
    for (size_t i = 0; i < plan->transfers; i++) {
        int result = make_transfer(stream, &stream->slots[i], stream->memory + i * plan->length);
        if (result < 0)
            return result;
    }
    return 0;
}

/* Submits all; returns how many the kernel took, or a negative errno other than for memory. */
static int submit_all(struct usb_stream *stream) {
    int taken = 0;
    for (size_t i = 0; i < stream->plan.transfers; i++) {
        int result = submit(&stream->slots[i]);
        if (result == -ENOMEM)
            break;
        if (result < 0)
            return result;
        taken++;
    }
    return taken;
}

/* Queues what the plan says, or half as often as the kernel's quota asks for. */
static int queue(struct usb_stream *stream) {
    size_t planned = stream->plan.transfers * stream->plan.length;
    for (;;) {
        int result = make_slots(stream);
        if (result == 0)
            result = submit_all(stream);
        if (result < 0)
            return result;
        bool whole = (size_t)result == stream->plan.transfers;
        struct usb_plan smaller = stream->plan;
        if (whole || !usb_plan_halve(&smaller, stream->usb.packet_size)) {
            size_t queued = (size_t)result * stream->plan.length;
            if (queued < planned)
                (void)snprintf(stream->remark, sizeof stream->remark,
                               "only %zu of %zu bytes could be queued: the kernel's quota for all "
                               "USB programs is in "
                               "/sys/module/usbcore/parameters/usbfs_memory_mb",
                               queued, planned);
            return result < TRANSFERS_LEAST ? -ENOMEM : 0;
        }
        if (!recall_all(stream))
            return -EIO;
        forget_done(stream);
        free_slots(stream);
        stream->plan = smaller;
    }
}

/* ---- opening ---- */

/* What the board has queued from before is thrown away, transfer by transfer. */
static int pass_over_stale(struct usb_stream *stream) {
    int64_t deadline = monotonic_ms() + STALE_MS;
    for (int64_t left; (left = deadline - monotonic_ms()) > 0;) {
        handle_events(stream, left);
        for (size_t count = stream->plan.transfers; stream->done != NULL && count > 0; count--) {
            if (stream->done->transfer->status != LIBUSB_TRANSFER_COMPLETED)
                return 0; /* what it means is seen when it is read */
            int result = submit(take_done(stream));
            if (result < 0)
                return result;
        }
    }
    return 0;
}

static int start(struct usb_stream *stream, const char *node, bool reset) {
    int result = usb_handle_open(&stream->usb, node, stream->kept.usb, reset);
    if (result < 0)
        return result;
    stream->plan = stream->kept.usb->iso
                       ? usb_plan_iso(stream->usb.interval_s, stream->usb.packet_size)
                       : usb_plan_for(stream->kept.bytes_per_s, stream->usb.packet_size);
    result = queue(stream);
    if (result < 0)
        return result;
    /* It may still run from a program that ended without a word. */
    (void)usb_handle_send(&stream->usb, stream->kept.usb, stream->kept.stop);
    result = pass_over_stale(stream);
    return result < 0 ? result
                      : usb_handle_send(&stream->usb, stream->kept.usb, stream->kept.start);
}

int usb_stream_open(const char *node, const struct transport_usb *settings,
                    struct usb_stream **stream) {
    struct usb_stream *made = calloc(1, sizeof *made);
    if (made == NULL)
        return -ENOMEM;
    made->kept = *settings;
    made->done_end = &made->done;
    int result = start(made, node, settings->reset);
    if (result < 0) {
        made->gone = true; /* nothing more is sent to it */
        usb_stream_close(made);
        return result;
    }
    *stream = made;
    return 0;
}

/* ---- reading ---- */

/*
 * A stall stops the endpoint: all transfers are taken back, the halt is cleared (which waits, so
 * never in a callback), and all are queued anew.
 */
static int recover_stall(struct usb_stream *stream) {
    int64_t now = monotonic_ms();
    int64_t *oldest = &stream->stall_ms[stream->stalls % STALLS_MAX];
    bool often = stream->stalls >= STALLS_MAX - 1 &&
                 now - stream->stall_ms[(stream->stalls + 1) % STALLS_MAX] < STALLS_WITHIN;
    *oldest = now;
    stream->stalls++;
    if (often || !recall_all(stream))
        return -EIO;
    forget_done(stream);
    int result =
        usb_handle_error(libusb_clear_halt(stream->usb.handle, stream->kept.usb->endpoint));
    if (result == 0)
        result = submit_all(stream);
    if (result >= 0 && result < TRANSFERS_LEAST)
        return -EIO;
    return result < 0 ? result : -EPIPE;
}

/* One transfer without its bytes: what of it? */
static int judge_failure(struct usb_stream *stream, struct slot *slot) {
    switch (slot->transfer->status) {
    case LIBUSB_TRANSFER_NO_DEVICE:
        stream->gone = true;
        return -ENODEV;
    case LIBUSB_TRANSFER_STALL:
        return recover_stall(stream);
    case LIBUSB_TRANSFER_ERROR:
    case LIBUSB_TRANSFER_OVERFLOW:
    default:
        /* A noisy cable costs a transfer; so many in a row that none is left is no noise. */
        if (++stream->errors >= stream->plan.transfers)
            return -EIO;
        break;
    }
    int result = submit(slot);
    return result < 0 ? result : -EPIPE;
}

static bool carries_bytes(const struct libusb_transfer *transfer) {
    return transfer->status == LIBUSB_TRANSFER_COMPLETED ||
           transfer->status == LIBUSB_TRANSFER_TIMED_OUT ||
           transfer->status == LIBUSB_TRANSFER_CANCELLED;
}

/*
 * The bytes of an isochronous transfer's packets, up to one that was lost: -EPIPE where the first
 * is (any number in a row are one hole). An empty packet is none: the board had nothing to say. 0
 * at the end.
 */
static int read_packets(struct slot *slot, uint8_t *bytes, size_t size) {
    const struct libusb_transfer *transfer = slot->transfer;
    size_t total = 0;
    bool lost = false;
    while (slot->packet < transfer->num_iso_packets && total < size) {
        const struct libusb_iso_packet_descriptor *packet =
            &transfer->iso_packet_desc[slot->packet];
        bool good = packet->status == LIBUSB_TRANSFER_COMPLETED;
        if (total > 0 ? !good : lost && good && packet->actual_length > 0)
            break;
        lost = lost || !good;
        slot->lost = slot->lost || !good;
        size_t left = good ? packet->actual_length - slot->used : 0;
        size_t part = left < size - total ? left : size - total;
        if (part > 0)
            memcpy(bytes + total,
                   transfer->buffer + (size_t)slot->packet * packet->length + slot->used, part);
        total += part;
        slot->carried = slot->carried || part > 0;
        slot->used += part;
        if (part < left)
            break;
        slot->packet++;
        slot->used = 0;
    }
    return lost ? -EPIPE : (int)total;
}

/* The next bytes of the oldest transfer, or what it tells instead; at its end it is queued anew. */
static int read_oldest_iso(struct usb_stream *stream, uint8_t *bytes, size_t size) {
    struct slot *slot = stream->done;
    int result = read_packets(slot, bytes, size);
    if (slot->packet < slot->transfer->num_iso_packets)
        return result;
    if (slot->carried)
        stream->errors = 0;
    else if (slot->lost)
        stream->errors++;
    if (stream->errors >= stream->plan.transfers)
        return -EIO;
    int queued = submit(take_done(stream));
    if (queued == -ENODEV)
        stream->gone = true;
    return result != 0 ? result : queued;
}

/* Of the oldest done transfer: bytes copied, 0 where it had none, or a negative errno. */
static int read_oldest(struct usb_stream *stream, uint8_t *bytes, size_t size) {
    struct slot *slot = stream->done;
    const struct libusb_transfer *transfer = slot->transfer;
    if (!carries_bytes(transfer))
        return judge_failure(stream, take_done(stream));
    if (stream->kept.usb->iso)
        return read_oldest_iso(stream, bytes, size);
    stream->errors = 0;
    size_t left = (size_t)transfer->actual_length - slot->used;
    size_t part = left < size ? left : size;
    memcpy(bytes, transfer->buffer + slot->used, part);
    slot->used += part;
    if (part < left)
        return (int)part;
    int result = submit(take_done(stream));
    if (result == -ENODEV)
        stream->gone = true;
    /* Its bytes are good all the same; the next call sees that it has gone. */
    return part > 0 ? (int)part : result;
}

int usb_stream_read(struct usb_stream *stream, uint8_t *bytes, size_t size, int timeout_ms) {
    int64_t deadline = monotonic_ms() + timeout_ms;
    for (;;) {
        while (stream->done != NULL) {
            int result = read_oldest(stream, bytes, size);
            if (result != 0)
                return result;
        }
        if (stream->flying == 0)
            return stream->gone ? -ENODEV : -EIO;
        int64_t left = deadline - monotonic_ms();
        if (left <= 0 || atomic_exchange(&stream->interrupted, false))
            return 0;
        handle_events(stream, left);
    }
}

void usb_stream_interrupt(struct usb_stream *stream) {
    atomic_store(&stream->interrupted, true);
    libusb_interrupt_event_handler(stream->usb.context);
}

const char *usb_stream_remark(const struct usb_stream *stream) {
    return stream->remark;
}

/*
 * The order matters: requests, cancel, every callback, free, and only then close. A transfer that
 * the kernel never gives back is left to it with all it needs: memory freed under it is worse.
 */
void usb_stream_close(struct usb_stream *stream) {
    if (stream == NULL)
        return;
    if (!stream->gone)
        (void)usb_handle_send(&stream->usb, stream->kept.usb, stream->kept.stop);
    if (stream->slots != NULL && !recall_all(stream))
        return;
    free_slots(stream);
    usb_handle_close(&stream->usb);
    free(stream);
}
