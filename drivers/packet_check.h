// SPDX-License-Identifier: Apache-2.0
/*
 * packet_check.h - the check sums that boards put behind their packets.
 *
 * Names and parameters of the CRCs are those of the catalogue of parametrised CRC algorithms
 * (reveng.sourceforge.io/crc-catalogue).
 */
#ifndef CRANKTRAP_PACKET_CHECK_H
#define CRANKTRAP_PACKET_CHECK_H

#include <stddef.h>
#include <stdint.h>

enum packet_check {
    PACKET_CHECK_NONE,
    PACKET_CHECK_SUM8,         /* all bytes added, modulo 256 */
    PACKET_CHECK_SUM16,        /* all bytes added, modulo 65536 */
    PACKET_CHECK_XOR8,         /* all bytes combined by exclusive or */
    PACKET_CHECK_CRC8,         /* CRC-8/SMBUS */
    PACKET_CHECK_CRC16_CCITT,  /* CRC-16/IBM-3740: begins with 0xFFFF */
    PACKET_CHECK_CRC16_XMODEM, /* CRC-16/XMODEM: begins with 0 */
    PACKET_CHECK_CRC16_MODBUS, /* CRC-16/MODBUS */
    PACKET_CHECK_CRC32,        /* CRC-32/ISO-HDLC, as in Ethernet and zip */
    PACKET_CHECKS
};

/* "none", "sum8", "crc16-ccitt" ...: as a board file writes it. */
const char *packet_check_name(enum packet_check check);

/* Bytes of the check itself: 0, 1, 2 or 4. */
size_t packet_check_size(enum packet_check check);

/* For packet_check_sum(); 256 entries. Only CRCs need it. */
struct packet_check_table {
    uint32_t entry[256];
};
void packet_check_fill(enum packet_check check, struct packet_check_table *table);

/* The check over `count` bytes, with the table filled for it. */
uint32_t packet_check_sum(enum packet_check check, const struct packet_check_table *table,
                          const uint8_t *bytes, size_t count);

#endif
