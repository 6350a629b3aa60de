// SPDX-License-Identifier: Apache-2.0
/*
 * usb_tmc.c - bulk transfers and class requests of test and measurement devices (USBTMC 1.0,
 * section 3 and 4.2.1).
 */
#include "usb_tmc.h"

#include "tmc_message.h"
#include "usb_handle.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#define REQUEST_MS      1000
#define CLEAR_ROUNDS    100
#define CLEAR_ROUND_MS  10
#define TRANSFER        (USB_TMC_PIECE + 4096) /* a multiple of any packet size */
#define INITIATE_CLEAR  5
#define CLEAR_STATUS    6
#define STATUS_SUCCESS  0x01
#define STATUS_PENDING  0x02
#define STILL_HAS_BYTES 0x01

struct usb_tmc {
    struct usb_handle usb;
    struct board_usb where;
    uint8_t tag;
    bool asked; /* a request is out, its answer is not whole yet */
    size_t got; /* bytes of that answer so far */
    uint8_t transfer[TRANSFER];
};

/* One piece of a bulk transfer; `*done` also where the time is up. */
static int bulk(struct usb_tmc *tmc, uint8_t endpoint, uint8_t *bytes, size_t count, size_t *done,
                int timeout_ms) {
    int transferred = 0;
    /* 0 means for ever to libusb. */
    int result = libusb_bulk_transfer(tmc->usb.handle, endpoint, bytes, (int)count, &transferred,
                                      timeout_ms > 0 ? (unsigned)timeout_ms : 1);
    *done = transferred > 0 ? (size_t)transferred : 0;
    return result == LIBUSB_ERROR_PIPE ? -EPIPE : usb_handle_error(result);
}

static int send_transfer(struct usb_tmc *tmc, uint8_t *transfer, size_t count, int timeout_ms) {
    size_t done = 0;
    int result = bulk(tmc, tmc->where.endpoint_out, transfer, count, &done, timeout_ms);
    return result == 0 && done < count ? -EIO : result;
}

int usb_tmc_open(const char *node, const struct board_usb *where, struct usb_tmc **tmc) {
    struct usb_tmc *made = calloc(1, sizeof *made);
    if (!made)
        return -ENOMEM;
    made->where = *where;
    made->usb.descriptor = -1;
    int result = usb_handle_open(&made->usb, node, where, false);
    if (result == 0)
        result = usb_tmc_clear(made);
    if (result < 0) {
        usb_tmc_close(made);
        return result;
    }
    *tmc = made;
    return 0;
}

int usb_tmc_send(struct usb_tmc *tmc, const uint8_t *bytes, size_t count, int timeout_ms) {
    uint8_t transfer[TMC_HEADER + BOARD_BYTES_MAX + TMC_PADDING];
    if (count > BOARD_BYTES_MAX)
        return -EINVAL;
    tmc->tag = tmc_next_tag(tmc->tag);
    size_t length = tmc_put_message(tmc->tag, bytes, count, transfer);
    return send_transfer(tmc, transfer, length, timeout_ms);
}

static int send_request(struct usb_tmc *tmc, int timeout_ms) {
    uint8_t request[TMC_HEADER];
    tmc->tag = tmc_next_tag(tmc->tag);
    tmc_put_request(tmc->tag, USB_TMC_PIECE, request);
    int result = send_transfer(tmc, request, sizeof request, timeout_ms);
    tmc->asked = result == 0;
    tmc->got = 0;
    return result;
}

/* All that the header promises is there: then the empty packet that may end it is not waited for.
 */
static bool is_whole(const struct usb_tmc *tmc) {
    struct tmc_answer answer;
    return tmc->got >= TMC_HEADER && tmc_read_header(tmc->transfer, tmc->tag, &answer) == 0 &&
           answer.count <= tmc->got - TMC_HEADER;
}

int usb_tmc_receive(struct usb_tmc *tmc, uint8_t *bytes, int timeout_ms, bool *end) {
    struct tmc_answer answer;
    size_t more = 0;
    int result = tmc->asked ? 0 : send_request(tmc, REQUEST_MS);
    if (result < 0)
        return result;
    result = bulk(tmc, tmc->where.endpoint, tmc->transfer + tmc->got, TRANSFER - tmc->got, &more,
                  timeout_ms);
    tmc->got += more;
    if (result == -ETIMEDOUT && !is_whole(tmc))
        return 0;
    if (result < 0 && result != -ETIMEDOUT)
        return result;
    if (tmc->got == 0) /* the empty packet that ended the answer before */
        return 0;
    tmc->asked = false;
    if (tmc->got < TMC_HEADER)
        return -EBADMSG;
    result = tmc_read_header(tmc->transfer, tmc->tag, &answer);
    if (result < 0)
        return result;
    if (answer.count > tmc->got - TMC_HEADER || answer.count > USB_TMC_PIECE)
        return -EBADMSG;
    memcpy(bytes, tmc->transfer + TMC_HEADER, answer.count);
    *end = answer.end;
    return (int)answer.count;
}

/* ---- clearing ---- */

/* A class request of the interface that is answered with `count` bytes. */
static int ask_class(struct usb_tmc *tmc, uint8_t request, uint8_t *answer, uint16_t count) {
    int result = libusb_control_transfer(tmc->usb.handle, 0xA1, request, 0, tmc->where.interface,
                                         answer, count, REQUEST_MS);
    if (result < 0)
        return usb_handle_error(result);
    return result == count ? 0 : -EIO;
}

static void pause_ms(long ms) {
    const struct timespec pause = {0, ms * 1000000};
    (void)nanosleep(&pause, NULL);
}

/* Until the device says that it is done; what it still has queued is thrown away. */
static int wait_for_clear(struct usb_tmc *tmc) {
    for (int round = 0; round < CLEAR_ROUNDS; round++) {
        uint8_t status[2] = {0};
        size_t ignored;
        int result = ask_class(tmc, CLEAR_STATUS, status, sizeof status);
        if (result < 0 || status[0] == STATUS_SUCCESS)
            return result;
        if (status[0] != STATUS_PENDING)
            return -EIO;
        if (status[1] & STILL_HAS_BYTES)
            (void)bulk(tmc, tmc->where.endpoint, tmc->transfer, TRANSFER, &ignored, CLEAR_ROUND_MS);
        else
            pause_ms(CLEAR_ROUND_MS);
    }
    return -ETIMEDOUT;
}

int usb_tmc_clear(struct usb_tmc *tmc) {
    uint8_t status = 0;
    tmc->asked = false;
    tmc->got = 0;
    int result = ask_class(tmc, INITIATE_CLEAR, &status, sizeof status);
    if (result == 0 && status != STATUS_SUCCESS)
        result = -EIO;
    if (result == 0)
        result = wait_for_clear(tmc);
    /* After that the class asks for both: the device may have halted them. */
    if (result == 0)
        result = usb_handle_error(libusb_clear_halt(tmc->usb.handle, tmc->where.endpoint_out));
    if (result == 0)
        result = usb_handle_error(libusb_clear_halt(tmc->usb.handle, tmc->where.endpoint));
    return result;
}

void usb_tmc_close(struct usb_tmc *tmc) {
    if (!tmc)
        return;
    usb_handle_close(&tmc->usb);
    free(tmc);
}
