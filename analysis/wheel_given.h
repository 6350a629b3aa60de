// SPDX-License-Identifier: Apache-2.0
/*
 * wheel_given.h - a wheel known by its number alone: its shares, and whether the edges are its.
 *
 * Needed where the edges are too few to learn from, or where so many pulses are missing that no
 * three turns are alike.
 */
#ifndef CRANKTRAP_WHEEL_GIVEN_H
#define CRANKTRAP_WHEEL_GIVEN_H

#include "wheel_follow.h"

/* Edges of one direction a turn of the wheel has as given. */
size_t wheel_given_edges(const struct wheel *given);

/* The pattern that the number says, without second gap: even shares and the gap behind the last. */
void wheel_given_pattern(const struct wheel *given, struct wheel_pattern *pattern);

/*
 * The same where pulses are missing: `disturbed` is set, `rises` kept. False, and nothing done:
 * the number does not say it all.
 */
bool wheel_given_disturbed(const struct wheel *given, struct wheel_pattern *pattern);

/*
 * Is the wheel the one that is seen? All teeth came, its gap was passed twice, and but for the
 * first moments from rest its speed did not jump.
 */
bool wheel_given_confirmed(const struct wheel *given, const struct wheel_pattern *pattern,
                           const struct wheel_path *path);

/*
 * Is it that wheel although pulses are missing? It was followed for turns, with its gap in most
 * of them, at a speed that did not jump; its teeth are there, and few edges are no tooth's.
 */
bool wheel_given_borne_out(const struct wheel_pattern *pattern, const struct wheel_path *path);

#endif
