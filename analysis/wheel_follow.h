// SPDX-License-Identifier: Apache-2.0
/*
 * wheel_follow.h - which tooth of a known wheel made each edge.
 *
 * Several readings of the edges are carried along: an edge is the next tooth, or one further on
 * with teeth missing between, or no tooth at all. Each departure from steady turning has its cost,
 * and so have teeth that are missing or too many; the cheapest reading is kept. So a doubtful edge
 * is decided by those that follow it.
 */
#ifndef CRANKTRAP_WHEEL_FOLLOW_H
#define CRANKTRAP_WHEEL_FOLLOW_H

#include "wheel_learn.h"

#include <stdbool.h>
#include <stddef.h>

/* An edge that is a tooth's. */
struct wheel_step {
    double at_s;
    size_t edge;     /* its index among those given; indices left out are no tooth's */
    long tooth;      /* counted on through its stretch, places with a missing tooth too */
    size_t stretch;  /* the wheel turned on without a stop, loss or long silence within it */
    double turn_s;   /* how long a turn takes, as of here */
    double surprise; /* how far the interval before was from expected, in standard deviations */
};

struct wheel_path {
    size_t count;
    struct wheel_step *steps; /* owned; in order of time */
    size_t stretch_count;
};

/*
 * Follows `pattern` through edges at `times` (those of the direction that times). Where cut[i] is
 * set, edges may have been lost right before edge i. `period_s` between samples blurs the times; 0:
 * exact. 0, -EINVAL for a pattern without edges, or -ENOMEM; `*path` is then untouched.
 */
int wheel_follow(const struct wheel_pattern *pattern, const double *times, const bool *cut,
                 size_t count, double period_s, struct wheel_path *path);

/* Frees what the path owns. */
void wheel_path_free(struct wheel_path *path);

/* The place of a step on the wheel: 0 is behind the longest share. */
size_t wheel_place(const struct wheel_pattern *pattern, const struct wheel_step *step);

/* After so long a silence at that speed, nothing tells how many teeth went by. */
double wheel_silence_s(const struct wheel_pattern *pattern, double turn_s);

#endif
