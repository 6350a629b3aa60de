// SPDX-License-Identifier: Apache-2.0
/*
 * frame.h - packets out of a byte stream: zero bytes delimit, COBS keeps zeros out of the packet,
 * a CRC-16 closes it. The computer's side of docs/wire.md; the board's is in firmware/.
 */
#ifndef CRANKTRAP_FRAME_H
#define CRANKTRAP_FRAME_H

#include <stddef.h>
#include <stdint.h>
#include <sys/types.h>

/*
 * Undoes COBS (Cheshire and Baker, "Consistent Overhead Byte Stuffing") on `count` bytes that
 * stood between two delimiters. `decoded` has room for `count` bytes and may be `frame` itself.
 * Returns the number of bytes decoded, or -EBADMSG when no encoder can have sent this.
 */
ssize_t frame_decode(const uint8_t *frame, size_t count, uint8_t *decoded);

/*
 * CRC-16/IBM-3740: polynomial 0x1021, begins with 0xFFFF, high bit first, nothing inverted.
 * 0 over a packet that carries its own check, high byte first.
 */
uint16_t frame_check(const uint8_t *bytes, size_t count);

#endif
