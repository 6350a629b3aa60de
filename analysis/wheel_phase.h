// SPDX-License-Identifier: Apache-2.0
/*
 * wheel_phase.h - where the camshaft's edges lie on the crankshaft's turn, and whether they moved.
 *
 * A cam turns once for two turns of the crank (geometry), so each of its edges comes at one place
 * within 720 degrees of the crank. A chain or belt that slips, or a wheel that turns on its shaft,
 * moves that place and leaves it there. A cam that the engine itself adjusts moves too, while it
 * runs; who judges must know the phase.
 */
#ifndef CRANKTRAP_WHEEL_PHASE_H
#define CRANKTRAP_WHEEL_PHASE_H

#include "wheel_track.h"

/* An edge of the cam's wheel. */
struct wheel_phase_point {
    double at_s;
    double degrees; /* of the crank, 0 to 720, from a place of the crank's wheel; which of the two
                       turns comes first is not known, and may change from stretch to stretch */
    size_t place;   /* on the cam's wheel, or on the part of it that repeats */
    size_t stretch; /* of the crank's track */
};

struct wheel_phase {
    size_t count;
    struct wheel_phase_point *points; /* in order of time; owned */
    double crank_turns;     /* in what repeats of the cam's pulses: 2, or a whole part of it; NAN */
    bool in_step;           /* it is that */
    double repeats_degrees; /* of the crank; a move by a whole one cannot be seen. NAN */
    double scatter;         /* of the places about their average, degrees; NAN */
    bool moved;             /* for good, by more than 10 degrees and well beyond the scatter: */
    double moved_by;        /*   so far, degrees; above 0: the cam's edges come later */
    double moved_from_s, moved_to_s; /* between the last edge before and the first after */
    double from_degrees, to_degrees; /* of that cam edge, before and after */
};

/*
 * Compares the tracks of a crank's and a cam's sensor. Without a crank wheel whose turn is known,
 * or with fewer than a few cam edges beside it, there are no points and nothing is claimed. 0 or
 * -ENOMEM.
 */
int wheel_phase_new(const struct wheel_track *crank, const struct wheel_track *cam,
                    struct wheel_phase **phase);

/* Frees; takes NULL. */
void wheel_phase_free(struct wheel_phase *phase);

#endif
