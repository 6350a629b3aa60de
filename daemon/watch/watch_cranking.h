// SPDX-License-Identifier: Apache-2.0
/*
 * watch_cranking.h - the starter: what is marked when it engages, lets go, or stays. Private to
 * watch, and under its lock.
 */
#ifndef CRANKTRAP_WATCH_CRANKING_H
#define CRANKTRAP_WATCH_CRANKING_H

#include "watch_state.h"

/* The phase changes (or is the same again): a cranking that begins or ends is marked. */
void watch_cranking_phase(struct watch *watch, const struct phase_change *change);

/* Marks a starter that stays engaged beyond the after-part of its snapshot. After every run. */
void watch_cranking_lengthen(struct watch *watch);

#endif
