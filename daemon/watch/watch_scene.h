// SPDX-License-Identifier: Apache-2.0
/*
 * watch_scene.h - what every trigger of watch looks at: the phase, its past, the live levels; and
 * where its marks go. Private to watch, and under its lock.
 */
#ifndef CRANKTRAP_WATCH_SCENE_H
#define CRANKTRAP_WATCH_SCENE_H

#include "hookup.h"
#include "phases.h"
#include "watch.h"
#include "watch_budget.h"
#include "watch_level.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define WATCH_PAST    8    /* phase changes remembered */
#define WATCH_PAUSE_S 1.25 /* between edges: longer than a turn at 60 rpm of the crank */
#define WATCH_EDGES   4    /* of a signal: so many are more than a key that bounces makes */

/* The latest edges of a signal: evidence that the engine turns. */
struct watch_edges {
    double at_s[WATCH_EDGES]; /* a ring; -INFINITY: none */
    size_t newest;
    double since_s; /* the first edge of those that came without a pause */
};

/* A message to the owner, kept until the lock is free. */
struct watch_message {
    struct watch_message *next;
    bool is_mark; /* else: the starter has engaged or let go */
    struct watch_mark mark;
    char trigger[64];
    char text[256];
};

struct watch_scene {
    const struct hookup *hookup;
    const struct vehicle *vehicle;
    struct watch_level *levels;   /* one per channel */
    struct watch_edges *edges;    /* one per channel */
    struct watch_budget *budgets; /* one per channel (of its built-in trigger), then per section */
    bool has_ignition;            /* a lead says whether the key is on */
    enum phase phase;
    double now_s; /* newest sample of any stream */
    struct phase_change
        past[WATCH_PAST]; /* a ring: past[(past_count - 1) % WATCH_PAST] is newest */
    size_t past_count;
    double engaged_s;                    /* the last cranking began; -INFINITY: never */
    double key_off_s;                    /* the last key-off began; -INFINITY: never */
    struct watch_message *first, **last; /* messages in order */
};

/* The phase at a time that is not long ago; the oldest one remembered for times before it. */
enum phase watch_scene_phase_at(const struct watch_scene *scene, double at_s);

/* When the present phase began; -INFINITY where it was so from the start. */
double watch_scene_phase_since(const struct watch_scene *scene);

/* Takes note of a change. */
void watch_scene_change(struct watch_scene *scene, const struct phase_change *change);

/* "with the key on", "while cranking", ... */
const char *watch_phase_words(enum phase phase);

/* Notes one more edge. */
void watch_scene_edge(struct watch_edges *edges, double at_s);

/* Index of a section's budget. */
size_t watch_scene_budget_of_section(const struct watch_scene *scene, size_t section);

/*
 * Posts a mark; trigger and text are copied. A mark that finds no memory is dropped. What `budget`
 * has nothing left for is a note, or suppressed; NULL: an attempt, for which there is always room.
 */
void watch_scene_mark(struct watch_scene *scene, const struct watch_mark *mark,
                      struct watch_budget *budget);

/* Posts "the starter has engaged" or "has let go". */
void watch_scene_cranking(struct watch_scene *scene, bool engaged, double at_s);

/* Elapsed seconds as nanoseconds. */
int64_t watch_nanoseconds(double elapsed_s);

#endif
