// SPDX-License-Identifier: Apache-2.0
/*
 * live.h - the stream of events (server-sent events, WHATWG HTML 9.2): readings, states, attempts.
 *
 * Each event is made once, whoever listens, and belongs to all who send it. Who reads slowly misses
 * those between; who reads nothing for as long as a connection may idle is dropped by
 * libmicrohttpd. So a listener takes no more memory than the event it is being sent.
 */
#ifndef CRANKTRAP_LIVE_H
#define CRANKTRAP_LIVE_H

#include "request.h"

/* 0 or a negative errno. */
int live_new(struct live **live);
void live_free(struct live *live); /* nobody may listen any more; takes NULL */

/* Ticker's thread, at each new reading: makes the events that are due. */
void live_tick(struct serve *serve, unsigned long sequence);

/* Any thread: ends the streams of those who were let in by the token; it opens nothing any more. */
void live_end_visitors(struct live *live);

/* Ends all streams; later ones end at once. Before libmicrohttpd stops. Takes NULL. */
void live_end(struct live *live);

#endif
