// SPDX-License-Identifier: Apache-2.0
/*
 * packet_stream.h - from any bytes to scans, by a packet layout: finds where packets begin, throws
 * damaged ones away, tells what is missing. What the drivers layout-serial, usb-bulk and usb-iso
 * share.
 *
 * One thread at a time. Nothing is allocated after packet_stream_new().
 */
#ifndef CRANKTRAP_PACKET_STREAM_H
#define CRANKTRAP_PACKET_STREAM_H

#include "packet_layout.h"

struct packet_stream;

/* Copies the layout and the sinks. 0, -EINVAL a layout that is not sound, -ENOMEM. */
int packet_stream_new(const struct packet_layout *layout, const struct board_sinks *sinks,
                      struct packet_stream **stream);

/* Begins anew: forgets the partial packet and the counter; no loss is told across it. */
void packet_stream_restart(struct packet_stream *stream);

/*
 * Bytes are missing right here: the partial packet is thrown away, the counter kept. The next good
 * packet tells how many scans, or that nobody knows.
 */
void packet_stream_hole(struct packet_stream *stream);

/* As board_driver.consume. */
enum board_result packet_stream_consume(struct packet_stream *stream, const uint8_t *bytes,
                                        size_t count);

void packet_stream_free(struct packet_stream *stream); /* takes NULL */

#endif
