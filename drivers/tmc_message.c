// SPDX-License-Identifier: Apache-2.0
/*
 * tmc_message.c - headers and blocks of test and measurement devices.
 */
#include "tmc_message.h"

#include <errno.h>
#include <string.h>

enum { MESSAGE_OUT = 1, MESSAGE_IN = 2 };
#define ATTRIBUTE_END 0x01

uint8_t tmc_next_tag(uint8_t tag) {
    return tag == UINT8_MAX ? 1 : (uint8_t)(tag + 1);
}

static void put_header(uint8_t message, uint8_t tag, uint32_t count, uint8_t attributes,
                       uint8_t *header) {
    const uint8_t bytes[TMC_HEADER] = {
        message,
        tag,
        (uint8_t)(tag ^ 0xFF),
        0,
        (uint8_t)count,
        (uint8_t)(count >> 8),
        (uint8_t)(count >> 16),
        (uint8_t)(count >> 24),
        attributes,
    };
    memcpy(header, bytes, sizeof bytes);
}

size_t tmc_put_message(uint8_t tag, const uint8_t *bytes, size_t count, uint8_t *transfer) {
    size_t filled = (count + TMC_PADDING) / 4 * 4;
    put_header(MESSAGE_OUT, tag, (uint32_t)count, ATTRIBUTE_END, transfer);
    memcpy(transfer + TMC_HEADER, bytes, count);
    memset(transfer + TMC_HEADER + count, 0, filled - count);
    return TMC_HEADER + filled;
}

void tmc_put_request(uint8_t tag, uint32_t most, uint8_t transfer[TMC_HEADER]) {
    put_header(MESSAGE_IN, tag, most, 0, transfer);
}

int tmc_read_header(const uint8_t header[TMC_HEADER], uint8_t tag, struct tmc_answer *answer) {
    if (header[0] != MESSAGE_IN || header[1] != tag || header[1] + header[2] != 0xFF)
        return -EPROTO;
    answer->count =
        header[4] | (size_t)header[5] << 8 | (size_t)header[6] << 16 | (size_t)header[7] << 24;
    answer->end = header[8] & ATTRIBUTE_END;
    return 0;
}

int tmc_read_block(const uint8_t *message, size_t count, size_t *begin, size_t *length) {
    if (count < 2 || message[0] != '#' || message[1] < '1' || message[1] > '9')
        return -EBADMSG;
    size_t digits = (size_t)(message[1] - '0'), said = 0;
    if (count < 2 + digits)
        return -EBADMSG;
    for (size_t i = 0; i < digits; i++) {
        if (message[2 + i] < '0' || message[2 + i] > '9')
            return -EBADMSG;
        said = said * 10 + (size_t)(message[2 + i] - '0');
    }
    if (said > count - 2 - digits)
        return -EBADMSG;
    *begin = 2 + digits;
    *length = said;
    return 0;
}
