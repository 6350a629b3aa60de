// SPDX-License-Identifier: Apache-2.0
/*
 * wheel_given.c - a wheel known by its number alone: its shares, and whether the edges are its.
 */
#include "wheel_given.h"

#include <string.h>

#define ANY_NOISE       0.05 /* as in struct wheel_pattern, where nothing was measured */
#define ANY_SPEED       0.25
#define STEADY          1.6 /* times the speed at the tooth before */
#define FROM_REST       3U  /* edges from rest on that may jump */
#define FEWEST_FOLLOWED 2U  /* turns' edges, of a wheel with many pulses missing */
#define SHARE_OF_ODD    0.05
#define SELDOM          3U /* times as often missing as there; of so many places one may mostly be */

size_t wheel_given_edges(const struct wheel *given) {
    return given->places - given->missing - given->missing_again;
}

void wheel_given_pattern(const struct wheel *given, struct wheel_pattern *pattern) {
    pattern->edges = wheel_given_edges(given);
    for (size_t i = 0; i < pattern->edges; i++)
        pattern->share[i] = 1.0 / given->places;
    pattern->share[pattern->edges - 1] = (1.0 + given->missing) / given->places;
    memcpy(pattern->angle, pattern->share, sizeof pattern->angle);
    pattern->scatter = ANY_NOISE;
    pattern->restless = ANY_SPEED;
    pattern->turn_known = true;
    pattern->marked = given->missing > 0;
    pattern->state = WHEEL_FOLLOWED;
}

bool wheel_given_disturbed(const struct wheel *given, struct wheel_pattern *pattern) {
    if (given->places == 0 || given->missing_again > 0 ||
        wheel_given_edges(given) > WHEEL_MOST_EDGES)
        return false;
    bool rises = pattern->rises;
    *pattern = (struct wheel_pattern){.rises = rises, .disturbed = true};
    wheel_given_pattern(given, pattern);
    return true;
}

/* Did the speed change by no more from interval to interval than a starter's may? */
static bool is_steady(const struct wheel_pattern *pattern, const struct wheel_path *path,
                      size_t i) {
    const struct wheel_step *step = &path->steps[i];
    const double *share = pattern->share;
    double before_s = (step[-1].at_s - step[-2].at_s) / share[wheel_place(pattern, &step[-2])];
    double now_s = (step->at_s - step[-1].at_s) / share[wheel_place(pattern, &step[-1])];
    return now_s < STEADY * before_s && before_s < STEADY * now_s;
}

bool wheel_given_confirmed(const struct wheel *given, const struct wheel_pattern *pattern,
                           const struct wheel_path *path) {
    size_t gaps = 0;
    for (size_t i = 1; i < path->count; i++) {
        const struct wheel_step *step = &path->steps[i];
        if (step->stretch != step[-1].stretch)
            continue;
        if (step->tooth != step[-1].tooth + 1 || step->edge != step[-1].edge + 1)
            return false;
        gaps += wheel_place(pattern, step) == 0;
        if (i > FROM_REST && path->steps[i - FROM_REST].stretch == step->stretch &&
            !is_steady(pattern, path, i))
            return false;
    }
    return given->missing == 0 || gaps >= 2;
}

/* What a way along a wheel as given looks like. */
struct way {
    size_t there[WHEEL_MOST_EDGES]; /* by place */
    size_t missing[WHEEL_MOST_EDGES];
    size_t extra;
    size_t jumps;       /* of the speed */
    size_t turns;       /* places 0 that it passed, */
    size_t whole_turns; /*   with the edges on both sides of the gap and none within */
};

static void look_along(const struct wheel_pattern *pattern, const struct wheel_path *path,
                       struct way *way) {
    long edges = (long)pattern->edges;
    *way = (struct way){.there = {0}};
    for (size_t i = 1; i < path->count; i++) {
        const struct wheel_step *step = &path->steps[i];
        way->there[wheel_place(pattern, step)]++;
        if (step->stretch != step[-1].stretch)
            continue;
        bool next = step->tooth == step[-1].tooth + 1;
        way->extra += step->edge - step[-1].edge - 1;
        for (long tooth = step[-1].tooth + 1; tooth < step->tooth; tooth++)
            way->missing[tooth % edges]++;
        way->turns += step->tooth / edges != step[-1].tooth / edges;
        way->whole_turns += step->tooth % edges == 0 && next && step->edge == step[-1].edge + 1;
        bool whole = next && i > FROM_REST && path->steps[i - FROM_REST].stretch == step->stretch &&
                     step->tooth == step[-2].tooth + 2;
        way->jumps += whole && !is_steady(pattern, path, i);
    }
}

/* No tooth is hardly ever there, and few are more often missing than not. */
static bool has_its_teeth(const struct wheel_pattern *pattern, const struct way *way) {
    size_t mostly_missing = 0;
    for (size_t place = 0; place < pattern->edges; place++) {
        if (way->missing[place] > SELDOM * way->there[place])
            return false;
        mostly_missing += way->missing[place] >= way->there[place];
    }
    return mostly_missing * SELDOM <= pattern->edges;
}

bool wheel_given_borne_out(const struct wheel_pattern *pattern, const struct wheel_path *path) {
    struct way way;
    double few = SHARE_OF_ODD * (double)path->count;
    look_along(pattern, path, &way);
    return path->count > FEWEST_FOLLOWED * pattern->edges && has_its_teeth(pattern, &way) &&
           (!pattern->marked || 2 * way.whole_turns > way.turns) && (double)way.jumps < few &&
           (double)way.extra < few;
}
