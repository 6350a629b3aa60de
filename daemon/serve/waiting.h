// SPDX-License-Identifier: Apache-2.0
/*
 * waiting.h - requests that wait for a reading, for samples or for a snapshot: wait_for_tick() of
 * request.h puts them on the list, the ticker looks at it.
 */
#ifndef CRANKTRAP_WAITING_H
#define CRANKTRAP_WAITING_H

#include "request.h"

#define TICK_MS        250 /* how often waiting requests are looked at */
#define NOW_WAIT_TICKS 20  /* a reading is due every other tick; give up after 5 s */

/* The ticker's thread: of a struct serve, until it is `ending`; then it resumes all who wait. */
void *waiting_ticker(void *serve);

#endif
