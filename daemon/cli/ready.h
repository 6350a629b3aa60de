// SPDX-License-Identifier: Apache-2.0
/*
 * ready.h - what the parts of `cranktrap ready` share: what was seen on each lead, and what
 * follows.
 */
#ifndef CRANKTRAP_READY_H
#define CRANKTRAP_READY_H

#include "command.h"

#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>

enum ready_step { READY_KEY_OFF, READY_KEY_ON, READY_CRANKING, READY_STEPS };
enum ready_result { READY_PASS, READY_LOOK, READY_NOT_SEEN };

/* A lead in one phase, in its unit; NAN where there is none. */
struct ready_span {
    bool seen;
    double lowest, highest, average;
    double low, high; /* state levels of an on/off signal */
};

/* An input by itself; values in the lead's unit. */
struct ready_input {
    bool seen;              /* a second of it with the key off */
    size_t number;          /* of its board */
    double mean, noise;     /* noise: rms */
    double noise_free_bits; /* of its span; NAN: the span is not known */
    bool at_low_end, at_high_end;
    double cross_talk; /* share of its neighbour's steps that it shows; NAN: too few were seen */
    double cross_talk_doubt;
    char neighbour[72]; /* the lead on the input converted before it; "": none */
};

struct ready_lead {
    const char *name, *role, *unit, *board; /* of `struct ready`'s `now` */
    struct ready_span spans[READY_STEPS];
    struct ready_input input;
    double noise;          /* peak to peak at rest, the lead's unit */
    double edges_per_s;    /* while cranking */
    double samples;        /* in the shortest state; NAN: no edges */
    double rate_hz;        /* of its board */
    double rate_needed_hz; /* for the least samples in the shortest state */
    enum ready_result result;
    json_t *notes; /* sentences: why it is not a pass */
};

/* Room for the hours asked for, and what the logger draws. */
struct ready_room {
    double bytes_per_hour; /* NAN: not long enough at it to tell */
    double ring_hours;     /* until the ring overwrites its oldest; NAN */
    double ring_bytes;     /* that the ring will still take for these hours, up to its bound */
    double disk_free;      /* that the daemon may use, beyond keep-free; NAN: not known */
    double draw_w;         /* from its own battery; NAN: not known */
    bool on_mains;         /* a power supply of the mains is connected */
};

struct ready {
    const struct command_line *line;
    double hours;
    double wait_s; /* for each step */
    bool look;     /* only what is there just now: nobody waits, no night begins */
    bool crank;    /* a test crank belongs to it */
    json_t *status_before, *status_after, *now;
    struct ready_lead *leads;
    size_t lead_count;
    unsigned snapshot; /* of the test crank; 0: none was seen */
    json_t *report;    /* of that snapshot; NULL */
    struct ready_room room;
    double scans_lost, losses_unknown, lost_since_start; /* during this command; since the start */
    json_t *reasons;                                     /* sentences: why it is not fit */
    json_t *unproven;                                    /* sentences: what is not proven */
    json_t *night;                                       /* the daemon's note; NULL: not begun */
};

/* ---- ready_steps.c: waiting for a person, with the daemon's readings ---- */

/* Says one wrapped paragraph (on stderr beside --json), indented where `format` is. */
void ready_say(const struct ready *ready, const char *format, ...)
    __attribute__((format(printf, 2, 3)));

/* The report of snapshot `number` is that of the test crank. 0 or an errno, said. */
int ready_take_crank(struct ready *ready, unsigned number);

/* Walks through key off, key on and (unless left out) one test crank. 0 or an errno, said. */
int ready_walk(struct ready *ready);

/* ---- ready_inputs.c ---- */

/* Reads a second of every input, now: the key must be off. */
void ready_read_inputs(struct ready *ready);
void ready_forget_inputs(struct ready *ready); /* it was not off all the time */

/* The neighbours in the test crank's record; adds notes and reasons. */
void ready_judge_inputs(struct ready *ready);

/* What the inputs read with the key off, as text. */
void ready_print_inputs(const struct ready *ready);
json_t *ready_input_json(const struct ready_lead *lead); /* null: nothing was seen */

/* ---- ready_judge.c ---- */

/* Adds a sentence to the lead's notes; unless it is READY_PASS, `result` worsens the lead's. */
void ready_note(struct ready_lead *lead, enum ready_result result, const char *format, ...)
    __attribute__((format(printf, 3, 4)));

/* Fills the gaps of the leads from the test crank's report, and judges each. */
void ready_judge_leads(struct ready *ready);

/* Losses, room, verdict of the test crank: `reasons` and `unproven`. */
void ready_judge_whole(struct ready *ready);

/* "yes", "no", "not-proven". */
const char *ready_fit(const struct ready *ready);

/* ---- ready_room.c ---- */

/* How long the ring lasts, and whether the disk has room: adds reasons. */
void ready_look_at_room(struct ready *ready);

/* ---- ready_print.c ---- */

/* As text: what to mind before the key is turned; and all that was found. */
void ready_print_cautions(const struct ready *ready);
void ready_print(const struct ready *ready);
json_t *ready_json(const struct ready *ready); /* "cranktrap.ready/1" */
const char *ready_result_name(enum ready_result result);

#endif
