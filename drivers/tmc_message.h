// SPDX-License-Identifier: Apache-2.0
/*
 * tmc_message.h - the bulk headers of the USB Test and Measurement Class (USBTMC 1.0, April 2003,
 * section 3.2 and 3.3), and the definite length blocks of IEEE 488.2 that instruments send in them.
 * Pure: bytes in, bytes out.
 */
#ifndef CRANKTRAP_TMC_MESSAGE_H
#define CRANKTRAP_TMC_MESSAGE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define TMC_HEADER  12
#define TMC_PADDING 3 /* at most: a transfer is filled up to a multiple of 4 */

/* The tag after this one: 1 to 255, again and again. */
uint8_t tmc_next_tag(uint8_t tag);

/* A whole message to the device into `transfer` (count + TMC_HEADER + TMC_PADDING bytes): how long
 * the transfer is. */
size_t tmc_put_message(uint8_t tag, const uint8_t *bytes, size_t count, uint8_t *transfer);

/* Asks for at most `most` bytes of the device's message. */
void tmc_put_request(uint8_t tag, uint32_t most, uint8_t transfer[TMC_HEADER]);

/* What the header of an answer says. */
struct tmc_answer {
    size_t count; /* bytes behind the header, without the filling */
    bool end;     /* they are the message's last */
};
/* 0; -EPROTO: no header of an answer to the request of that tag. `*answer` is untouched then. */
int tmc_read_header(const uint8_t header[TMC_HEADER], uint8_t tag, struct tmc_answer *answer);

/*
 * A definite length block, "#", one digit n, n digits that are the length, so many bytes; what
 * follows (a line feed) is of no meaning. 0 and where its bytes begin and how many they are, all of
 * them within `count`; -EBADMSG: it is none, or bytes are missing.
 */
int tmc_read_block(const uint8_t *message, size_t count, size_t *begin, size_t *length);

#endif
