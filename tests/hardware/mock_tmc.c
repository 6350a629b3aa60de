// SPDX-License-Identifier: Apache-2.0
/*
 * mock_tmc.c - a test and measurement board played by umockdev; mock_usb.c says what its version
 * 0.17.16 asks for. Transfers come one after the other here: at most one is out.
 */
#include "mock_tmc.h"

#include "mock_usbfs.h"

#include <errno.h>
#include <linux/usbdevice_fs.h>
#include <pthread.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <time.h>
#include <umockdev.h>
#include <unistd.h>

#define BRAKE_US    300
#define HEADER      12
#define MESSAGE_MAX (1u << 20)
#define DEAD_NS     20000000
#define NODE        "/dev/bus/usb/001/004"
#define PATH        "/devices/pci0000:00/usb1/1-4"

struct mock_tmc {
    UMockdevTestbed *testbed;
    UMockdevIoctlBase *handler;
    bool plugged, attached;

    pthread_mutex_t mutex; /* guards the rest */
    bool gone, cancelled;
    UMockdevIoctlData *flying; /* NULL: none */
    unsigned fault[MOCK_TMC_FAULTS];
    enum mock_tmc_fault spoiling; /* MOCK_TMC_FAULTS: nothing */
    double rate;
    unsigned block;
    uint32_t scan;
    uint8_t *message; /* what it has to say; sent up to `said` */
    size_t count, said;
    int64_t ready_ns; /* not before */
    uint8_t tag;      /* of the request that is to be answered; 0: none */
    uint32_t most;
    bool empty_packet_due;
    struct mock_tmc_seen seen;
};

static int64_t now_ns(void) {
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (int64_t)now.tv_sec * 1000000000 + now.tv_nsec;
}

static bool fails(struct mock_tmc *board, enum mock_tmc_fault fault) {
    if (!board->fault[fault])
        return false;
    board->fault[fault]--;
    return true;
}

/* ---- what it says ---- */

static void make_block(struct mock_tmc *board) {
    size_t length = board->block * 8u;
    board->seen.blocks++;
    board->count = (size_t)sprintf((char *)board->message, "#6%06zu", length);
    for (unsigned i = 0; i < 4 * board->block; i++) {
        uint32_t value = 4 * board->scan + i;
        board->message[board->count++] = (uint8_t)(value >> 8);
        board->message[board->count++] = (uint8_t)value;
    }
    board->scan += board->block;
    board->message[board->count++] = '\n';
}

static void begin_answer(struct mock_tmc *board) {
    board->spoiling = MOCK_TMC_FAULTS;
    for (int i = 0; i < MOCK_TMC_FAULTS && board->spoiling == MOCK_TMC_FAULTS; i++)
        if (fails(board, (enum mock_tmc_fault)i))
            board->spoiling = (enum mock_tmc_fault)i;
    if (board->count == 0) /* mock_tmc_say() has given none */
        make_block(board);
    if (board->spoiling == MOCK_TMC_TEXT)
        board->count = (size_t)sprintf((char *)board->message, "-113,\"Undefined header\"\n");
    if (board->spoiling == MOCK_TMC_HALF)
        board->count /= 2;
    board->said = 0;
    board->ready_ns = now_ns() + DEAD_NS + (int64_t)(board->block / board->rate * 1e9);
}

/* One command, without its line feed. */
static void obey(struct mock_tmc *board, const char *command) {
    if (strcmp(command, "ACQ:READ?") == 0) {
        begin_answer(board);
        return;
    }
    (void)sscanf(command, "ACQ:RATE %lf", &board->rate);
    (void)sscanf(command, "ACQ:SCANS %u", &board->block);
    size_t used = strlen(board->seen.commands);
    snprintf(board->seen.commands + used, sizeof board->seen.commands - used, "%s;", command);
}

static void finish_out(struct mock_tmc *board, struct usbdevfs_urb *urb) {
    const uint8_t *bytes = urb->buffer;
    char command[256] = "";
    uint32_t count = bytes[4] | (uint32_t)bytes[5] << 8 | (uint32_t)bytes[6] << 16;
    urb->actual_length = urb->buffer_length;
    urb->status = 0;
    if (urb->buffer_length < HEADER || bytes[1] == 0 || bytes[1] + bytes[2] != 0xFF ||
        urb->buffer_length % 4)
        abort(); /* no device must be sent that */
    if (bytes[0] == 2) {
        board->tag = bytes[1];
        board->most = count;
        return;
    }
    if (bytes[0] != 1 || !(bytes[8] & 1) || count + HEADER > (uint32_t)urb->buffer_length)
        abort();
    memcpy(command, bytes + HEADER, count < sizeof command ? count : sizeof command - 1);
    command[strcspn(command, "\n")] = '\0';
    if (strcmp(command, "ACQ:READ?") == 0 && fails(board, MOCK_TMC_REFUSE)) {
        urb->status = -EPIPE;
        urb->actual_length = 0;
        return;
    }
    obey(board, command);
}

/* False: nothing yet. */
static bool finish_in(struct mock_tmc *board, struct usbdevfs_urb *urb) {
    uint8_t *bytes = urb->buffer;
    urb->status = 0;
    urb->actual_length = 0;
    if (board->empty_packet_due) {
        board->empty_packet_due = false;
        return true;
    }
    if (!board->tag || !board->count || board->spoiling == MOCK_TMC_SILENT ||
        now_ns() < board->ready_ns)
        return false;
    if (board->spoiling == MOCK_TMC_STALL) {
        urb->status = -EPIPE;
        board->count = 0;
        return true;
    }
    size_t left = board->count - board->said;
    size_t now = left < board->most ? left : board->most;
    uint8_t tag = board->spoiling == MOCK_TMC_WRONG_TAG ? (uint8_t)(board->tag ^ 1) : board->tag;
    const uint8_t header[HEADER] = {
        2, tag,        (uint8_t)~tag, 0, (uint8_t)now, (uint8_t)(now >> 8), (uint8_t)(now >> 16),
        0, now == left};
    memcpy(bytes, header, sizeof header);
    memcpy(bytes + HEADER, board->message + board->said, now);
    urb->actual_length = (int)(HEADER + (now + 3) / 4 * 4);
    board->said += now;
    board->tag = 0;
    if (board->said == board->count)
        board->count = 0;
    if (board->spoiling == MOCK_TMC_SHORT)
        urb->actual_length = 100;
    board->empty_packet_due = urb->actual_length % 512 == 0;
    return true;
}

static void finish_control(struct mock_tmc *board, struct usbdevfs_urb *urb) {
    uint8_t *setup = urb->buffer;
    urb->status = 0;
    urb->actual_length = setup[6] | setup[7] << 8;
    if (setup[0] != 0xA1 || (setup[1] != 5 && setup[1] != 6)) {
        urb->status = -EPIPE;
        return;
    }
    setup[8] = 1; /* success */
    if (setup[1] == 5) {
        board->seen.clears++;
        board->count = board->said = 0;
        board->tag = 0;
        board->empty_packet_due = false;
    } else {
        setup[9] = 0;
    }
}

/* ---- ioctls ---- */

static void submit(struct mock_tmc *board, UMockdevIoctlClient *client, UMockdevIoctlData *arg) {
    UMockdevIoctlData *data =
        umockdev_ioctl_data_resolve(arg, 0, sizeof(struct usbdevfs_urb), NULL);
    struct usbdevfs_urb *urb = (struct usbdevfs_urb *)(void *)data->data;
    if (board->gone) {
        g_object_unref(data);
        mock_usbfs_answer(client, ENODEV);
        return;
    }
    if (board->flying)
        abort();
    UMockdevIoctlData *buffer = umockdev_ioctl_data_resolve(
        data, G_STRUCT_OFFSET(struct usbdevfs_urb, buffer), (size_t)urb->buffer_length, NULL);
    g_object_unref(buffer);
    board->flying = data;
    board->cancelled = false;
    mock_usbfs_answer(client, 0);
}

static bool finish(struct mock_tmc *board) {
    struct usbdevfs_urb *urb = (struct usbdevfs_urb *)(void *)board->flying->data;
    if (board->gone || board->cancelled) {
        urb->status = board->gone ? -ESHUTDOWN : -ENOENT;
        urb->actual_length = 0;
        return true;
    }
    if (urb->type == USBDEVFS_URB_TYPE_CONTROL)
        finish_control(board, urb);
    else if (urb->endpoint & 0x80)
        return finish_in(board, urb);
    else
        finish_out(board, urb);
    return true;
}

static void reap(struct mock_tmc *board, UMockdevIoctlClient *client, UMockdevIoctlData *arg) {
    if (!board->flying || !finish(board)) {
        bool gone = board->gone;
        pthread_mutex_unlock(&board->mutex);
        usleep(BRAKE_US);
        pthread_mutex_lock(&board->mutex);
        mock_usbfs_answer(client, gone ? ENODEV : EAGAIN);
        return;
    }
    UMockdevIoctlData *place = umockdev_ioctl_data_resolve(arg, 0, sizeof(gpointer), NULL);
    umockdev_ioctl_data_set_ptr(place, 0, board->flying);
    board->flying = NULL;
    g_object_unref(place);
    mock_usbfs_answer(client, 0);
}

static gboolean handle(UMockdevIoctlBase *handler, UMockdevIoctlClient *client,
                       struct mock_tmc *board) {
    (void)handler;
    UMockdevIoctlData *arg = umockdev_ioctl_client_get_arg(client);
    /* Without continuation: a transfer is one URB, however long. */
    const guint32 capabilities =
        USBDEVFS_CAP_NO_PACKET_SIZE_LIM | USBDEVFS_CAP_REAP_AFTER_DISCONNECT;
    const struct usbdevfs_connectinfo info = {.devnum = 4};
    gboolean known = TRUE;
    pthread_mutex_lock(&board->mutex);
    switch (umockdev_ioctl_client_get_request(client)) {
    case USBDEVFS_GET_CAPABILITIES:
        mock_usbfs_fill(client, arg, &capabilities, sizeof capabilities);
        break;
    case USBDEVFS_CONNECTINFO:
        mock_usbfs_fill(client, arg, &info, sizeof info);
        break;
    case USBDEVFS_CONTROL:
        mock_usbfs_control(client, arg);
        break;
    case USBDEVFS_CLAIMINTERFACE:
    case USBDEVFS_DISCONNECT_CLAIM:
        board->seen.claims++;
        mock_usbfs_answer(client, board->gone ? ENODEV : 0);
        break;
    case USBDEVFS_RELEASEINTERFACE:
        board->seen.claims--;
        mock_usbfs_answer(client, 0);
        break;
    case USBDEVFS_CLEAR_HALT:
        board->seen.halts_cleared++;
        mock_usbfs_answer(client, board->gone ? ENODEV : 0);
        break;
    case USBDEVFS_GETDRIVER:
    case USBDEVFS_IOCTL:
        mock_usbfs_answer(client, ENODATA);
        break;
    case USBDEVFS_SUBMITURB:
        submit(board, client, arg);
        break;
    case USBDEVFS_DISCARDURB:
        board->cancelled = board->flying != NULL;
        mock_usbfs_answer(client, board->flying ? 0 : EINVAL);
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

struct mock_tmc *mock_tmc_new(void) {
    struct mock_tmc *board = calloc(1, sizeof *board);
    if (!board || !(board->message = malloc(MESSAGE_MAX)))
        abort();
    board->testbed = umockdev_testbed_new();
    board->rate = 10000;
    board->block = 500;
    pthread_mutex_init(&board->mutex, NULL);
    board->handler = umockdev_ioctl_base_new();
    g_object_connect(board->handler, "signal-after::handle-ioctl", handle, board, NULL);
    return board;
}

/* Device 1209:0004; configuration 1; interface 0 of class FE, subclass 03; bulk OUT 0x02 and IN
 * 0x82 of 512 bytes. */
#define DESCRIPTORS                                                                                \
    "120100020000004009120400000101020301"                                                         \
    "090220000101008032"                                                                           \
    "0904000002FE030000"                                                                           \
    "07050202000200"                                                                               \
    "07058202000200"

void mock_tmc_plug(struct mock_tmc *board) {
    GError *error = NULL;
    pthread_mutex_lock(&board->mutex);
    board->gone = false;
    board->count = board->said = 0;
    board->tag = 0;
    board->seen.claims = 0;
    board->seen.commands[0] = '\0';
    pthread_mutex_unlock(&board->mutex);
    if (!board->attached &&
        !umockdev_testbed_attach_ioctl(board->testbed, NODE, board->handler, &error))
        abort();
    board->attached = true;
    const struct mock_usbfs_device device = {
        PATH, 4, MOCK_TMC_VENDOR, MOCK_TMC_PRODUCT, "burst board", "TM1", DESCRIPTORS};
    mock_usbfs_plug(board->testbed, &device);
    board->plugged = true;
}

void mock_tmc_unplug(struct mock_tmc *board) {
    pthread_mutex_lock(&board->mutex);
    board->gone = true;
    pthread_mutex_unlock(&board->mutex);
    umockdev_testbed_remove_device(board->testbed, "/sys" PATH);
    board->plugged = false;
}

void mock_tmc_free(struct mock_tmc *board) {
    if (board->plugged)
        mock_tmc_unplug(board);
    if (board->attached)
        umockdev_testbed_detach_ioctl(board->testbed, NODE, NULL);
    if (board->flying)
        g_object_unref(board->flying);
    g_object_unref(board->handler);
    g_object_unref(board->testbed);
    pthread_mutex_destroy(&board->mutex);
    free(board->message);
    free(board);
}

void mock_tmc_fail(struct mock_tmc *board, enum mock_tmc_fault fault, unsigned count) {
    pthread_mutex_lock(&board->mutex);
    board->fault[fault] = count;
    pthread_mutex_unlock(&board->mutex);
}

void mock_tmc_say(struct mock_tmc *board, const void *bytes, size_t count) {
    pthread_mutex_lock(&board->mutex);
    memcpy(board->message, bytes, count);
    board->count = count;
    pthread_mutex_unlock(&board->mutex);
}

struct mock_tmc_seen mock_tmc_seen(struct mock_tmc *board) {
    pthread_mutex_lock(&board->mutex);
    struct mock_tmc_seen seen = board->seen;
    pthread_mutex_unlock(&board->mutex);
    return seen;
}
