// SPDX-License-Identifier: Apache-2.0
/*
 * cam_step.h - did the edges of a cam move against the crank, where too few come to learn its
 * wheel?
 *
 * A cam with one pulse, or a few, shows a handful of edges in a cranking. Those of its first turn
 * are the reference; each later one is compared with the nearest of these on the 720 degrees of
 * crank in which a cam turns once (geometry).
 */
#ifndef CRANKTRAP_CAM_STEP_H
#define CRANKTRAP_CAM_STEP_H

#include <stdbool.h>
#include <stddef.h>

struct cam_step {
    double from_s, to_s; /* between the last edge in its place and the first out of it */
    double degrees;      /* of the crank; above 0: the edges come later */
};

/*
 * `turns[i]` is where on the crank's turns, counted on, edge i came, and `times[i]` when; all of
 * one direction, in order, from one stretch. True where the edges moved for good by more than 10
 * degrees while they were steady before and are so behind, each within 6; `*step` is then filled.
 */
bool cam_step_find(const double *turns, const double *times, size_t count, struct cam_step *step);

#endif
