// SPDX-License-Identifier: Apache-2.0
/*
 * mock_usb.c - USB boards played by umockdev.
 *
 * What its version 0.17.16 asks for: usb nodes are plain files, so poll() is always ready and a
 * reap that finds nothing must brake; an unplugged board ends its transfers by -ESHUTDOWN.
 */
#include "mock_usb.h"

#include "mock_usbfs.h"

#include <errno.h>
#include <linux/usbdevice_fs.h>
#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/stat.h>
#include <umockdev.h>
#include <unistd.h>

#define BOARDS_MAX   4
#define FLYING_MAX   64
#define BRAKE_US     500
#define PACED_US     200   /* between two transfers */
#define PACED_ISO_US 10000 /* its transfers are long ones */
#define ENDPOINT_IN  0x81

struct mock_yard {
    UMockdevTestbed *testbed;
    size_t boards;
    struct mock_usb *board[BOARDS_MAX];
};

struct queue {
    size_t count;
    UMockdevIoctlData *urb[FLYING_MAX];
};

struct mock_usb {
    struct mock_yard *yard;
    UMockdevIoctlBase *handler;
    char node[32], path[64], serial[32];
    unsigned port;
    bool attached, plugged, iso;

    pthread_mutex_t mutex; /* guards the rest */
    bool gone, running, silent, refuse_start, taken;
    unsigned fault[MOCK_FAULTS];
    unsigned skip, stale;
    size_t quota, queued;
    struct queue flying, cancelled;
    struct mock_seen seen;
};

static void queue_push(struct queue *queue, UMockdevIoctlData *urb) {
    if (queue->count == FLYING_MAX)
        abort();
    queue->urb[queue->count++] = urb;
}

static UMockdevIoctlData *queue_take(struct queue *queue, size_t index) {
    UMockdevIoctlData *urb = queue->urb[index];
    queue->count--;
    memmove(queue->urb + index, queue->urb + index + 1,
            (queue->count - index) * sizeof queue->urb[0]);
    return urb;
}

static void queue_clear(struct queue *queue) {
    while (queue->count)
        g_object_unref(queue_take(queue, 0));
}

static struct usbdevfs_urb *urb_of(UMockdevIoctlData *data) {
    return (struct usbdevfs_urb *)(void *)data->data;
}

/* ---- what the board sends ---- */

/* Packet `number` as the board file says: 84 scans of four values, packed highest bit first. */
static void make_packet(uint64_t number, uint8_t packet[MOCK_PACKET]) {
    uint32_t scan = (uint32_t)(number * MOCK_SCANS);
    memset(packet, 0, MOCK_PACKET);
    packet[0] = 0xFE;
    packet[1] = 0xED;
    for (int i = 0; i < 4; i++)
        packet[2 + i] = (uint8_t)(scan >> 8 * i);
    uint8_t *at = packet + 6;
    for (unsigned i = 0; i < 4 * MOCK_SCANS; i += 2, at += 3) {
        unsigned first = (4 * scan + i) % 4096, second = (first + 1) % 4096;
        at[0] = (uint8_t)(first >> 4);
        at[1] = (uint8_t)(first << 4 | second >> 8);
        at[2] = (uint8_t)second;
    }
}

/* The board's next packets into a transfer. */
static int fill(struct mock_usb *board, uint8_t *bytes, int length) {
    int used = 0;
    for (; used + MOCK_PACKET <= length; used += MOCK_PACKET) {
        if (board->stale) { /* of a run long ago: high numbers */
            make_packet(1000000 + board->stale--, bytes + used);
            continue;
        }
        if (!board->running)
            break;
        make_packet(board->seen.packets++, bytes + used);
    }
    return used;
}

static bool fails(struct mock_usb *board, enum mock_fault fault) {
    if (!board->fault[fault])
        return false;
    board->fault[fault]--;
    return true;
}

/* Status and bytes of the oldest transfer. */
static void finish_in(struct mock_usb *board, struct usbdevfs_urb *urb) {
    uint8_t *bytes = urb->buffer;
    uint64_t packets = (uint64_t)urb->buffer_length / MOCK_PACKET;
    urb->actual_length = 0;
    urb->status = 0;
    if (fails(board, MOCK_STALL)) {
        urb->status = -EPIPE;
        return;
    }
    if (board->running && fails(board, MOCK_PROTOCOL_ERROR))
        urb->status = -EPROTO;
    else if (board->running && fails(board, MOCK_OVERFLOW))
        urb->status = -EOVERFLOW;
    if (urb->status < 0) {
        board->seen.packets += packets;
        return;
    }
    board->seen.packets += board->running ? board->skip : 0;
    board->skip = board->running ? 0 : board->skip;
    urb->actual_length = fill(board, bytes, urb->buffer_length);
    if (urb->actual_length && board->running && fails(board, MOCK_FLIPPED))
        bytes[1] ^= 0x08;
    if (urb->actual_length && board->running && fails(board, MOCK_SHORT))
        urb->actual_length -= MOCK_PACKET / 2;
}

/* Packets of the bus, each one of the board's, lost, or empty. */
static void finish_iso(struct mock_usb *board, struct usbdevfs_urb *urb) {
    uint8_t *bytes = urb->buffer;
    urb->status = 0;
    urb->actual_length = 0;
    for (int i = 0; i < urb->number_of_packets; i++, bytes += MOCK_PACKET) {
        struct usbdevfs_iso_packet_desc *packet = &urb->iso_frame_desc[i];
        packet->status = 0;
        packet->actual_length = 0;
        if (i % 2 != 0)
            continue;
        if (fails(board, MOCK_PROTOCOL_ERROR)) {
            packet->status = (unsigned)-EPROTO;
            board->seen.packets++;
            continue;
        }
        make_packet(board->seen.packets++, bytes);
        packet->actual_length = MOCK_PACKET;
        urb->actual_length += MOCK_PACKET;
    }
}

static void finish_control(struct mock_usb *board, struct usbdevfs_urb *urb) {
    const uint8_t *setup = urb->buffer;
    urb->status = 0;
    urb->actual_length = setup[6] | setup[7] << 8;
    if (setup[0] != 0x40 || setup[1] != 0x01)
        return;
    bool start = setup[2] == 1;
    if (start && board->refuse_start) {
        urb->status = -EPIPE;
        return;
    }
    board->running = start;
    board->seen.starts += start;
    board->seen.stops += !start;
}

/* ---- ioctls ---- */

/* With what follows an isochronous one. Its size must be known before it is fetched: it is looked
 * at where it is, in this process. */
static size_t urb_size(const struct mock_usb *board, const UMockdevIoctlData *arg) {
    const struct usbdevfs_urb *urb;
    memcpy(&urb, arg->data, sizeof urb);
    if (!board->iso || urb->type != USBDEVFS_URB_TYPE_ISO)
        return sizeof *urb;
    return sizeof *urb + (size_t)urb->number_of_packets * sizeof urb->iso_frame_desc[0];
}

static void submit(struct mock_usb *board, UMockdevIoctlClient *client, UMockdevIoctlData *arg) {
    UMockdevIoctlData *data = umockdev_ioctl_data_resolve(arg, 0, urb_size(board, arg), NULL);
    struct usbdevfs_urb *urb = urb_of(data);
    if (board->gone) {
        g_object_unref(data);
        mock_usbfs_answer(client, ENODEV);
        return;
    }
    size_t length = (size_t)urb->buffer_length;
    if (board->quota && board->queued + length > board->quota) {
        g_object_unref(data);
        mock_usbfs_answer(client, ENOMEM);
        return;
    }
    UMockdevIoctlData *buffer = umockdev_ioctl_data_resolve(
        data, G_STRUCT_OFFSET(struct usbdevfs_urb, buffer), length, NULL);
    if (buffer)
        g_object_unref(buffer);
    board->queued += length;
    queue_push(&board->flying, data);
    if (board->queued > board->seen.queued_most)
        board->seen.queued_most = board->queued;
    if (board->flying.count > board->seen.transfers_most)
        board->seen.transfers_most = board->flying.count;
    mock_usbfs_answer(client, 0);
}

static void discard(struct mock_usb *board, UMockdevIoctlClient *client, UMockdevIoctlData *arg) {
    gulong address;
    memcpy(&address, arg->data, sizeof address);
    for (size_t i = 0; i < board->flying.count; i++)
        if (board->flying.urb[i]->client_addr == address) {
            queue_push(&board->cancelled, queue_take(&board->flying, i));
            mock_usbfs_answer(client, 0);
            return;
        }
    mock_usbfs_answer(client, EINVAL);
}

/* The transfer that ends next, or NULL. A control request never waits behind bulk ones. */
static UMockdevIoctlData *next_ended(struct mock_usb *board) {
    if (board->cancelled.count) {
        UMockdevIoctlData *data = queue_take(&board->cancelled, 0);
        urb_of(data)->status = -ENOENT;
        urb_of(data)->actual_length = 0;
        return data;
    }
    for (size_t i = 0; i < board->flying.count; i++) {
        struct usbdevfs_urb *urb = urb_of(board->flying.urb[i]);
        bool control = urb->type == USBDEVFS_URB_TYPE_CONTROL;
        if (board->gone) {
            urb->status = -ESHUTDOWN;
            urb->actual_length = 0;
        } else if (control) {
            finish_control(board, urb);
        } else if (urb->endpoint != ENDPOINT_IN || board->silent ||
                   !(board->running || board->stale || board->fault[MOCK_STALL])) {
            continue;
        } else if (board->iso) {
            finish_iso(board, urb);
        } else {
            finish_in(board, urb);
        }
        return queue_take(&board->flying, i);
    }
    return NULL;
}

static void reap(struct mock_usb *board, UMockdevIoctlClient *client, UMockdevIoctlData *arg) {
    UMockdevIoctlData *data = next_ended(board);
    if (!data) {
        bool gone = board->gone;
        pthread_mutex_unlock(&board->mutex);
        usleep(BRAKE_US);
        pthread_mutex_lock(&board->mutex);
        mock_usbfs_answer(client, gone ? ENODEV : EAGAIN);
        return;
    }
    board->queued -= (size_t)urb_of(data)->buffer_length;
    if (urb_of(data)->actual_length) {
        pthread_mutex_unlock(&board->mutex);
        usleep(board->iso ? PACED_ISO_US : PACED_US);
        pthread_mutex_lock(&board->mutex);
    }
    UMockdevIoctlData *place = umockdev_ioctl_data_resolve(arg, 0, sizeof(gpointer), NULL);
    umockdev_ioctl_data_set_ptr(place, 0, data);
    g_object_unref(place);
    mock_usbfs_answer(client, 0);
}

static void capabilities(UMockdevIoctlClient *client, UMockdevIoctlData *arg) {
    const guint32 value = USBDEVFS_CAP_BULK_CONTINUATION | USBDEVFS_CAP_NO_PACKET_SIZE_LIM |
                          USBDEVFS_CAP_BULK_SCATTER_GATHER | USBDEVFS_CAP_REAP_AFTER_DISCONNECT;
    mock_usbfs_fill(client, arg, &value, sizeof value);
}

static void connection(const struct mock_usb *board, UMockdevIoctlClient *client,
                       UMockdevIoctlData *arg) {
    const struct usbdevfs_connectinfo info = {.devnum = board->port};
    mock_usbfs_fill(client, arg, &info, sizeof info);
}

static void claim(struct mock_usb *board, UMockdevIoctlClient *client, int change) {
    if (change > 0 && board->taken) {
        mock_usbfs_answer(client, EBUSY);
        return;
    }
    board->seen.claims += (unsigned)change;
    mock_usbfs_answer(client, board->gone ? ENODEV : 0);
}

static gboolean handle(UMockdevIoctlBase *handler, UMockdevIoctlClient *client,
                       struct mock_usb *board) {
    (void)handler;
    UMockdevIoctlData *arg = umockdev_ioctl_client_get_arg(client);
    gboolean known = TRUE;
    pthread_mutex_lock(&board->mutex);
    switch (umockdev_ioctl_client_get_request(client)) {
    case USBDEVFS_GET_CAPABILITIES:
        capabilities(client, arg);
        break;
    case USBDEVFS_CONNECTINFO:
        connection(board, client, arg);
        break;
    case USBDEVFS_CONTROL:
        mock_usbfs_control(client, arg);
        break;
    case USBDEVFS_CLAIMINTERFACE:
    case USBDEVFS_DISCONNECT_CLAIM:
        claim(board, client, 1);
        break;
    case USBDEVFS_RELEASEINTERFACE:
        claim(board, client, -1);
        break;
    case USBDEVFS_SETINTERFACE:
        mock_usbfs_answer(client, 0);
        break;
    case USBDEVFS_CLEAR_HALT:
        board->seen.halts_cleared++;
        mock_usbfs_answer(client, 0);
        break;
    case USBDEVFS_RESET:
        board->seen.resets++;
        board->silent = false; /* that helps it */
        mock_usbfs_answer(client, 0);
        break;
    case USBDEVFS_GETDRIVER:
    case USBDEVFS_IOCTL:
        mock_usbfs_answer(client, ENODATA);
        break;
    case USBDEVFS_SUBMITURB:
        submit(board, client, arg);
        break;
    case USBDEVFS_DISCARDURB:
        discard(board, client, arg);
        break;
    case USBDEVFS_REAPURB:
    case USBDEVFS_REAPURBNDELAY:
        reap(board, client, arg);
        break;
    default:
        known = FALSE;
        break;
    }
    pthread_mutex_unlock(&board->mutex);
    return known;
}

/* ---- plugging ---- */

struct mock_yard *mock_yard_new(void) {
    struct mock_yard *yard = calloc(1, sizeof *yard);
    if (!yard)
        abort();
    yard->testbed = umockdev_testbed_new();
    return yard;
}

struct mock_usb *mock_usb_new(struct mock_yard *yard, unsigned port, const char *serial) {
    struct mock_usb *board = calloc(1, sizeof *board);
    if (!board || yard->boards == BOARDS_MAX)
        abort();
    yard->board[yard->boards++] = board;
    board->yard = yard;
    board->port = port;
    pthread_mutex_init(&board->mutex, NULL);
    snprintf(board->serial, sizeof board->serial, "%s", serial);
    snprintf(board->node, sizeof board->node, "/dev/bus/usb/001/%03u", port);
    snprintf(board->path, sizeof board->path, "/devices/pci0000:00/usb1/1-%u", port);
    board->handler = umockdev_ioctl_base_new();
    g_object_connect(board->handler, "signal-after::handle-ioctl", handle, board, NULL);
    return board;
}

/* Device 1209:0002; configuration 1; interface 0, vendor's class; bulk IN 0x81 of 512 bytes. */
#define DESCRIPTORS                                                                                \
    "1201000200000040091202000001010203010902190001010080320904000001FF000000070581020002"         \
    "00"

/* The same with a setting 1 whose 0x81 is isochronous; setting 0 has none. */
#define ISO_DESCRIPTORS                                                                            \
    "1201000200000040091202000001010203010902220001010080320904000000FF0000000904000101FF000000"   \
    "07058101000201"

void mock_usb_isochronous(struct mock_usb *board) {
    board->iso = true;
}

void mock_usb_plug(struct mock_usb *board) {
    GError *error = NULL;
    UMockdevTestbed *testbed = board->yard->testbed;
    pthread_mutex_lock(&board->mutex);
    board->gone = board->running = board->silent = false;
    board->seen.packets = 0;
    board->queued = 0;
    queue_clear(&board->flying);
    queue_clear(&board->cancelled);
    pthread_mutex_unlock(&board->mutex);
    if (!board->attached &&
        !umockdev_testbed_attach_ioctl(testbed, board->node, board->handler, &error))
        abort();
    board->attached = true;
    const struct mock_usbfs_device device = {board->path,
                                             board->port,
                                             MOCK_VENDOR,
                                             MOCK_PRODUCT,
                                             "counting board",
                                             board->serial,
                                             board->iso ? ISO_DESCRIPTORS : DESCRIPTORS};
    mock_usbfs_plug(testbed, &device);
    board->plugged = true;
}

void mock_usb_unplug(struct mock_usb *board) {
    char path[96];
    pthread_mutex_lock(&board->mutex);
    board->gone = true;
    pthread_mutex_unlock(&board->mutex);
    snprintf(path, sizeof path, "/sys%s", board->path);
    umockdev_testbed_remove_device(board->yard->testbed, path);
    board->plugged = false;
}

void mock_yard_free(struct mock_yard *yard) {
    for (size_t i = 0; i < yard->boards; i++) {
        struct mock_usb *board = yard->board[i];
        if (board->plugged)
            mock_usb_unplug(board);
        if (board->attached)
            umockdev_testbed_detach_ioctl(yard->testbed, board->node, NULL);
        queue_clear(&board->flying);
        queue_clear(&board->cancelled);
        g_object_unref(board->handler);
        pthread_mutex_destroy(&board->mutex);
        free(board);
    }
    g_object_unref(yard->testbed);
    free(yard);
}

/* ---- what it does wrong ---- */

#define LOCKED(board, what)                                                                        \
    do {                                                                                           \
        pthread_mutex_lock(&(board)->mutex);                                                       \
        what;                                                                                      \
        pthread_mutex_unlock(&(board)->mutex);                                                     \
    } while (0)

void mock_usb_fail(struct mock_usb *board, enum mock_fault fault, unsigned count) {
    LOCKED(board, board->fault[fault] = count);
}
void mock_usb_skip(struct mock_usb *board, unsigned packets) {
    LOCKED(board, board->skip = packets);
}
void mock_usb_hush(struct mock_usb *board, bool silent) {
    LOCKED(board, board->silent = silent);
}
void mock_usb_quota(struct mock_usb *board, size_t bytes) {
    LOCKED(board, board->quota = bytes);
}
void mock_usb_refuse_start(struct mock_usb *board, bool refuse) {
    LOCKED(board, board->refuse_start = refuse);
}
void mock_usb_taken(struct mock_usb *board, bool taken) {
    LOCKED(board, board->taken = taken);
}
void mock_usb_stale(struct mock_usb *board, unsigned packets) {
    LOCKED(board, board->stale = packets);
}

struct mock_seen mock_usb_seen(struct mock_usb *board) {
    struct mock_seen seen;
    LOCKED(board, seen = board->seen);
    return seen;
}

void mock_usb_chmod(struct mock_usb *board, unsigned mode) {
    gchar *root = umockdev_testbed_get_root_dir(board->yard->testbed);
    gchar *node = g_build_filename(root, board->node, NULL);
    if (chmod(root, 0755) < 0 || chmod(node, mode) < 0)
        abort();
    g_free(node);
    g_free(root);
}
