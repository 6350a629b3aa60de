// SPDX-License-Identifier: Apache-2.0
/*
 * counting.h - packets of three shipped board files whose scans carry their own number, so that
 * whoever reads a record sees which scans are in it. Written from the heads of the board files
 * alone: nothing of drivers/ is used.
 *
 * bulk-packed-12:  inputs 0, 1, 2: bits 0-11, 12-23, 24-31 of the number; input 3: 4095 - input 0
 * packets-8x16:    inputs 0, 1: bits 0-14, 15-29 of the number; input 2: the others;
 *                  input 3: -1 - input 0; inputs 4 to 7: input 0 times 4 to 7, its lowest 15 bits
 * iso-8x16:        the same values
 */
#ifndef COUNTING_H
#define COUNTING_H

#include <stdint.h>

#define BULK_SIZE    512 /* bytes of a packet */
#define BULK_SCANS   84
#define SERIAL_SIZE  166
#define SERIAL_SCANS 10
#define ISO_SIZE     198
#define ISO_SCANS    12

/* Packet `number` of a board that counts from 0; its first scan is `number` times the scans. */
void counting_bulk_packet(uint32_t number, uint8_t packet[BULK_SIZE]);
void counting_serial_packet(uint32_t number, uint8_t packet[SERIAL_SIZE]);
void counting_iso_packet(uint32_t number, uint8_t packet[ISO_SIZE]);

#endif
