// SPDX-License-Identifier: Apache-2.0
/*
 * wheel_learn.c - how unlike are intervals so many edges apart? The fewest that make them alike.
 */
#include "wheel_learn.h"

#include "sorted.h"
#include "wheel_given.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define MOST_LEARNT   WHEEL_LEARN_EDGES
#define FORGIVES      3U  /* more than so many times what one edge spoils: once it is forgiven */
#define LEAST_SPAN    8U  /* edges over which the speed is taken out, at least */
#define UNLIKE_MOST   1.0 /* one interval counts no more than this */
#define NEARLY        1.3 /* as alike as the best: this many times its unlikeness */
#define NEARLY_PLUS   0.01
#define GIVEN_NEARLY  1.4 /* the same for the count that was given */
#define GIVEN_PLUS    0.03
#define PATTERN_MOST  0.45 /* more unlike than this is no pattern */
#define CODED_SHARE   0.6  /* widths that repeat so much better tell the turn */
#define CODED_LEAST   12U  /* a wheel coded by duty has many teeth; fewer show the cylinders */
#define FEWEST_CUT    6    /* teeth: fewer may be cut as they like */
#define MARK          1.5  /* times the median share: a place unlike the others */
#define GAP_LEAST     0.6  /* of the gap as given: of a Hall sensor */
#define GAP_MOST      1.6
#define NOMINAL       0.35 /* so near to whole pitches, they are that */
#define ABOUT_ALIKE   0.02 /* of the unlikeness of two directions */
#define SHARPER       1.2  /* a gap at one go against one at two */
#define CALM_PATTERN  0.1  /* three turns so alike are a wheel, whatever else comes */
#define CLEAR_PATTERN 0.2  /* less alike is no other wheel than the one that was given */
#define CALM_ENOUGH   1.5
#define CALM_PLUS     0.01
#define SCATTERS      1.05 /* elsewhere, against three calm turns */
#define WANDERS       0.9  /* of the changes of speed are no more than that */
#define CALM          0.02
#define WILD          0.25
#define QUIET         0.01 /* scatter of the logarithm, at least */
#define FEWEST_SMOOTH 24U  /* teeth: from one to the next the engine's speed hardly changes */
#define PARTS_OF_TURN 8U   /* a stroke that compresses and lets go is longer */
#define NEIGHBOURS    2.0  /* scatter against the teeth beside: so many times is allowed for */

/* Edges of one direction, or of both, from where learning is best. */
struct series {
    const double *times;
    size_t count;
    const double *logs; /* of the intervals */
};

/* Edges over which the speed is taken out: whole turns. */
static size_t span_of(size_t lag) {
    return lag * ((LEAST_SPAN + lag - 1) / lag);
}

/* First and number of the intervals that have one `lag` later to compare with. */
static size_t comparisons(const struct series *series, size_t lag, size_t *first) {
    size_t span = span_of(lag);
    size_t needed = span + lag + 1;
    *first = span - span / 2 - 1;
    return series->count < needed ? 0 : series->count - needed + 1;
}

static double log_span(const struct series *series, size_t interval, size_t span) {
    size_t end = interval + 1 + span / 2;
    return log(series->times[end] - series->times[end - span]);
}

/* How much an interval's part of the turn around it differs from the one `lag` later. */
static double unlike(const struct series *series, size_t interval, size_t lag) {
    size_t span = span_of(lag);
    double speed = log_span(series, interval + lag, span) - log_span(series, interval, span);
    double change = series->logs[interval + lag] - series->logs[interval] - speed;
    return fmin(fabs(change), UNLIKE_MOST);
}

/* The part of a sum of squares that `length` neighbours have most of; they are then 0. */
static double worst_part(double *squares, size_t count, size_t length) {
    double sum = 0.0;
    double most = 0.0;
    size_t from = 0;
    for (size_t i = 0; i < count; i++) {
        sum += squares[i];
        if (i >= length)
            sum -= squares[i - length];
        if (i + 1 >= length && sum > most) {
            most = sum;
            from = i + 1 - length;
        }
    }
    for (size_t i = from; i < from + length && i < count; i++)
        squares[i] = 0.0;
    return most;
}

/*
 * Root of the average square over all comparisons: one gap at the wrong place tells more than many
 * teeth that agree. One disturbance is forgiven. HUGE_VAL where fewer than `fewest`
 * comparisons can be made.
 */
static double unlikeness(const struct series *series, size_t lag, size_t fewest) {
    double squares[MOST_LEARNT];
    size_t first;
    size_t count = comparisons(series, lag, &first);
    size_t reach = span_of(lag) + lag + 2; /* comparisons that one edge spoils */
    double sum = 0.0;
    if (count < fewest || count < 2)
        return HUGE_VAL;
    for (size_t i = 0; i < count; i++) {
        double change = unlike(series, first + i, lag);
        squares[i] = change * change;
        sum += squares[i];
    }
    bool forgives = count > FORGIVES * reach;
    if (forgives)
        sum -= worst_part(squares, count, reach);
    return sqrt(fmax(sum, 0.0) / (double)(forgives ? count - reach : count));
}

struct learning {
    struct series series[3]; /* falling, rising, both */
    double *store[3];
    double unlikeness[3][WHEEL_MOST_EDGES + 1]; /* by edges of one direction a turn, of a whole
                                                   turn or more of comparisons */
};

static void close_learning(struct learning *learning) {
    for (int i = 0; i < 3; i++)
        free(learning->store[i]);
}

static int open_series(struct learning *learning, int which, const double *times, size_t count) {
    count = count < MOST_LEARNT ? count : MOST_LEARNT;
    double *store = malloc((2 * count + 1) * sizeof *store);
    if (store == NULL)
        return -ENOMEM;
    for (size_t i = 0; i < count; i++)
        store[i] = times[i];
    for (size_t i = 0; i + 1 < count; i++)
        store[count + i] = log(fmax(times[i + 1] - times[i], 1e-9));
    learning->store[which] = store;
    learning->series[which] = (struct series){store, count, store + count};
    return 0;
}

static int open_both(struct learning *learning, const double *const times[2],
                     const size_t counts[2]) {
    double merged[MOST_LEARNT];
    size_t count = 0;
    size_t next[2] = {0, 0};
    while (count < MOST_LEARNT && (next[0] < counts[0] || next[1] < counts[1])) {
        int from =
            next[0] == counts[0] || (next[1] < counts[1] && times[1][next[1]] < times[0][next[0]]);
        merged[count++] = times[from][next[from]++];
    }
    return open_series(learning, 2, merged, count);
}

static int open_learning(struct learning *learning, const double *const times[2],
                         const size_t counts[2]) {
    memset(learning, 0, sizeof *learning);
    int result = open_series(learning, 0, times[0], counts[0]);
    if (result == 0)
        result = open_series(learning, 1, times[1], counts[1]);
    if (result == 0)
        result = open_both(learning, times, counts);
    for (size_t edges = 1; edges <= WHEEL_MOST_EDGES && result == 0; edges++) {
        for (size_t which = 0; which < 3; which++)
            learning->unlikeness[which][edges] =
                which == 2 ? unlikeness(&learning->series[which], 2 * edges, 2 * edges)
                           : unlikeness(&learning->series[which], edges, edges);
    }
    return result;
}

/* The fewest edges whose turns are nearly as alike as those of the best. */
static size_t fewest(const double *unlikeness_of, double *best) {
    *best = HUGE_VAL;
    for (size_t edges = 1; edges <= WHEEL_MOST_EDGES; edges++)
        *best = fmin(*best, unlikeness_of[edges]);
    for (size_t edges = 1; edges <= WHEEL_MOST_EDGES; edges++) {
        if (unlikeness_of[edges] <= NEARLY * *best + NEARLY_PLUS)
            return edges;
    }
    return 0;
}

/*
 * The first three turns that are about as alike as any: compressions look alike only as long as the
 * starter turns. Gives the first interval of the first, and how unlike they are on average;
 * HUGE_VAL: nothing can be compared.
 */
static size_t calmest(const struct series *series, size_t edges, double *unlikeness_there) {
    double averages[MOST_LEARNT] = {0.0};
    size_t first;
    size_t count = comparisons(series, edges, &first);
    size_t length = count < 2 * edges ? count : 2 * edges;
    double sum = 0.0;
    double least = HUGE_VAL;
    *unlikeness_there = HUGE_VAL;
    if (count == 0 || length == 0)
        return first;
    for (size_t i = 0; i < count; i++) {
        sum += unlike(series, first + i, edges);
        if (i >= length)
            sum -= unlike(series, first + i - length, edges);
        averages[i] = sum / (double)length;
        if (i + 1 >= length)
            least = fmin(least, averages[i]);
    }
    size_t chosen = length - 1;
    while (chosen + 1 < count && averages[chosen] > CALM_ENOUGH * least + CALM_PLUS)
        chosen++;
    *unlikeness_there = least;
    return first + chosen + 1 - length;
}

/* Turns the shares so that the longest comes last, and makes their sum 1. */
static void settle_shares(double *share, size_t edges) {
    double turned[WHEEL_MOST_EDGES] = {0.0};
    size_t longest = 0;
    double sum = 0.0;
    for (size_t i = 0; i < edges; i++) {
        longest = share[i] > share[longest] ? i : longest;
        sum += share[i];
    }
    for (size_t i = 0; i < edges; i++)
        turned[i] = share[(longest + 1 + i) % edges] / sum;
    memcpy(share, turned, edges * sizeof *share);
}

/* The longest part of a turn in three calm turns, in parts of the average one. */
static double longest_part(const struct series *series, size_t edges, size_t from) {
    size_t span = span_of(edges);
    double longest = -HUGE_VAL;
    for (size_t i = from; i < from + edges && i + 1 + span / 2 < series->count; i++)
        longest = fmax(longest, series->logs[i] - log_span(series, i, span));
    return exp(longest) * (double)span;
}

/*
 * The direction that times: where its turns are more alike. Where both are about as alike, that
 * which crosses a gap at one go: beside a gap, an inductive sensor swings back slowly.
 */
static bool choose_direction(const struct learning *learning, size_t edges) {
    double unlikeness_of[2];
    double longest[2];
    for (int i = 0; i < 2; i++) {
        size_t from = calmest(&learning->series[i], edges, &unlikeness_of[i]);
        longest[i] =
            isinf(unlikeness_of[i]) ? 0.0 : longest_part(&learning->series[i], edges, from);
    }
    if (longest[0] > 0.0 && longest[1] > 0.0 &&
        fabs(unlikeness_of[1] - unlikeness_of[0]) < ABOUT_ALIKE &&
        fmax(longest[0], longest[1]) > SHARPER * fmin(longest[0], longest[1]))
        return longest[1] > longest[0];
    return unlikeness_of[1] < unlikeness_of[0];
}

/* What repeats, whatever the hookup says; 0: nothing. */
static size_t find_edges(const struct learning *learning, bool *rises) {
    double best[3];
    size_t found[3];
    for (int which = 0; which < 3; which++)
        found[which] = fewest(learning->unlikeness[which], &best[which]);
    *rises = best[1] < best[0];
    size_t edges = found[*rises];
    if (edges == 0 || !(best[*rises] <= PATTERN_MOST))
        return 0;
    /* coded duty: the edges that time are alike, the widths between tell the turn */
    size_t coded = found[2];
    *rises = choose_direction(learning, edges);
    if (coded > edges && coded % edges == 0 &&
        best[2] < CODED_SHARE * learning->unlikeness[2][edges] &&
        learning->unlikeness[*rises][coded] <= GIVEN_NEARLY * best[*rises] + GIVEN_PLUS)
        return coded;
    return edges;
}

/*
 * How far a tooth lies off between the two beside it. An engine whose compressions do not come back
 * with each turn looks restless from turn to turn; from tooth to tooth of a fine wheel it is not.
 * `share`: of the intervals from `from` on.
 */
static double scatter_of_neighbours(const struct series *series, const double *share, size_t edges,
                                    size_t from) {
    double off[MOST_LEARNT];
    size_t count = 0;
    for (size_t k = from + 1; k + 2 < series->count && k < from + 3 * edges; k++) {
        double own[3];
        for (size_t i = 0; i < 3; i++)
            own[i] = series->logs[k - 1 + i] - log(share[(k - 1 + i - from) % edges]);
        off[count++] = fabs(own[1] - (own[0] + own[2]) / 2.0);
    }
    /* from the median of differences to one of two: 1.4826 / sqrt(1.5) of a normal distribution */
    return count == 0 ? HUGE_VAL : 1.21 * sorted_median(off, count);
}

/* Shares over three turns; what scatters, and how the speed wanders, over all. */
static void measure(const struct series *series, struct wheel_pattern *pattern) {
    size_t edges = pattern->edges;
    size_t span = span_of(edges);
    double unlikeness_there;
    size_t from = calmest(series, edges, &unlikeness_there);
    for (size_t i = 0; i < edges; i++) {
        double parts[3]; /* the middle one: pulses may be missing in one of the turns */
        size_t count = 0;
        for (size_t k = from + i; k < from + 3 * edges && k + 1 + span / 2 < series->count;
             k += edges)
            parts[count++] = series->logs[k] - log_span(series, k, span);
        pattern->share[i] = count == 0 ? 1.0 / (double)edges : exp(sorted_median(parts, count));
    }
    double beside = edges < FEWEST_SMOOTH
                        ? HUGE_VAL
                        : NEIGHBOURS * scatter_of_neighbours(series, pattern->share, edges, from);
    settle_shares(pattern->share, edges);
    size_t first;
    size_t count = comparisons(series, edges, &first);
    double changes[MOST_LEARNT] = {0.0};
    size_t calm = 0;
    for (size_t i = from; i < from + 2 * edges && i < first + count; i++)
        changes[calm++] = unlike(series, i, edges);
    /* of one interval, from the median of differences of two */
    pattern->scatter = fmax(QUIET, fmin(SCATTERS * 1.05 * sorted_median(changes, calm), beside));
    for (size_t i = 0; i < count; i++)
        changes[i] =
            fabs(log_span(series, first + i + edges, span) - log_span(series, first + i, span));
    sorted_order(changes, count);
    double wander = count == 0 ? 0.0 : changes[(size_t)(WANDERS * (double)count)];
    /* within a turn it varies more than from turn to turn */
    pattern->restless = fmin(fmax(CALM, 2.0 * wander * wander), WILD);
    pattern->learnt = true;
}

/* Whole pitches where the shares are nearly that, else as they appear. */
static void cut_angles(struct wheel_pattern *pattern) {
    double sorted[WHEEL_MOST_EDGES];
    size_t edges = pattern->edges;
    memcpy(sorted, pattern->share, edges * sizeof *sorted);
    double pitch = sorted_median(sorted, edges);
    double pitches = 0.0;
    bool whole = edges >= 6;
    for (size_t i = 0; i < edges; i++) {
        double wanted = fmax(1.0, round(pattern->share[i] / pitch));
        pattern->angle[i] = wanted;
        pitches += wanted;
        whole = whole && fabs(pattern->share[i] / pitch - wanted) <= NOMINAL * wanted;
    }
    for (size_t i = 0; i < edges; i++)
        pattern->angle[i] = whole ? pattern->angle[i] / pitches : pattern->share[i];
}

/*
 * What the shares of a wheel cut whole depart from its pitches is how the speed varied within those
 * turns. In others it varies as much, and elsewhere, where compressions do not come back with each
 * turn.
 */
static void allow_for_strokes(struct wheel_pattern *pattern) {
    double changes[WHEEL_MOST_EDGES];
    size_t edges = pattern->edges;
    size_t apart = edges / PARTS_OF_TURN;
    if (edges < FEWEST_SMOOTH)
        return;
    for (size_t i = 0; i < edges; i++) {
        double angle = 0.0;
        for (size_t k = i; k < i + apart; k++)
            angle += pattern->angle[k % edges];
        size_t end = (i + apart) % edges;
        double change = log(pattern->share[end] / pattern->angle[end]) -
                        log(pattern->share[i] / pattern->angle[i]);
        changes[i] = change * change / angle;
    }
    sorted_order(changes, edges);
    pattern->restless = fmin(fmax(pattern->restless, changes[edges / 2]), WILD);
}

/* The longest share against the median one. */
static double longest_ratio(const struct wheel_pattern *pattern) {
    double sorted[WHEEL_MOST_EDGES];
    memcpy(sorted, pattern->share, pattern->edges * sizeof *sorted);
    return pattern->share[pattern->edges - 1] / sorted_median(sorted, pattern->edges);
}

static bool has_mark(const struct wheel_pattern *pattern) {
    double sorted[WHEEL_MOST_EDGES];
    memcpy(sorted, pattern->share, pattern->edges * sizeof *sorted);
    double usual = sorted_median(sorted, pattern->edges);
    return pattern->edges >= 3 &&
           (sorted[pattern->edges - 1] > MARK * usual || sorted[0] * MARK < usual);
}

/* Is the gap of a given wheel there, and as long as it should be? */
static bool gap_as_given(const struct wheel *given, enum sensor_kind kind,
                         const struct wheel_pattern *pattern) {
    if (given->missing == 0)
        return true;
    double wanted =
        1.0 + (given->missing > given->missing_again ? given->missing : given->missing_again);
    double ratio = longest_ratio(pattern);
    if (kind == SENSOR_INDUCTIVE) /* its edges beside the gap are not where the teeth are */
        return ratio > MARK;
    return ratio > GAP_LEAST * wanted && ratio < GAP_MOST * wanted;
}

/* One, two, four ... turns: so an engine repeats whose cylinders differ. */
static bool is_cycle(size_t other, size_t edges) {
    while (edges < other)
        edges *= 2;
    return edges == other;
}

/* Does something else repeat much better? */
static bool repeats_otherwise(const struct learning *learning, size_t edges, double of_given) {
    for (size_t other = 1; other <= WHEEL_MOST_EDGES; other++) {
        double best = fmin(learning->unlikeness[0][other], learning->unlikeness[1][other]);
        if (edges % other != 0 && !is_cycle(other, edges) &&
            of_given > GIVEN_NEARLY * best + GIVEN_PLUS)
            return true;
    }
    return false;
}

/* A wheel without gaps may be cut as it likes; but it must repeat after so many edges. */
static void learn_given(const struct learning *learning, const struct wheel *given,
                        enum sensor_kind kind, const double of_given[2],
                        struct wheel_pattern *pattern) {
    pattern->edges = wheel_given_edges(given);
    pattern->rises = choose_direction(learning, pattern->edges);
    bool disturbed = repeats_otherwise(learning, pattern->edges, of_given[pattern->rises]);
    if (disturbed) {
        bool rises = pattern->rises;
        size_t found = find_edges(learning, &rises);
        /* else many pulses are missing, of the wheel as given; even ones are alike in any number */
        bool same = is_cycle(found, pattern->edges) ||
                    (found > 0 && given->missing == 0 && pattern->edges % found == 0);
        if (!same && (found == 0 || fmin(learning->unlikeness[0][found],
                                         learning->unlikeness[1][found]) > CLEAR_PATTERN)) {
            pattern->state = WHEEL_NO_PATTERN;
            return;
        }
        if (!same) {
            pattern->state = WHEEL_NOT_AS_GIVEN;
            pattern->edges = found;
            pattern->rises = rises;
            return;
        }
    }
    double calm;
    calmest(&learning->series[pattern->rises], pattern->edges, &calm);
    if (of_given[pattern->rises] > PATTERN_MOST && calm > CALM_PATTERN) {
        pattern->state = WHEEL_NO_PATTERN;
        return;
    }
    measure(&learning->series[pattern->rises], pattern);
    cut_angles(pattern);
    allow_for_strokes(pattern);
    pattern->turn_known = true;
    pattern->marked = has_mark(pattern);
    pattern->state = gap_as_given(given, kind, pattern) ? WHEEL_FOLLOWED
                     : disturbed || calm > CALM_PATTERN ? WHEEL_NO_PATTERN
                                                        : WHEEL_NOT_AS_GIVEN;
}

/*
 * The edges of a part that the wheel is cut alike after: what repeats after two or four turns
 * better than after one is the engine, whose cylinders differ, and not the wheel.
 */
static size_t cut_alike(const struct wheel_pattern *pattern) {
    for (size_t part = FEWEST_CUT; part < pattern->edges; part++) {
        size_t i = 0;
        while (pattern->edges % part == 0 && i < pattern->edges &&
               fabs(pattern->angle[i] - pattern->angle[(i + part) % pattern->edges]) <
                   0.1 * pattern->angle[i])
            i++;
        if (i == pattern->edges)
            return part;
    }
    return pattern->edges;
}

static void learn_free(const struct learning *learning, struct wheel_pattern *pattern) {
    size_t edges = find_edges(learning, &pattern->rises);
    if (edges == 0) {
        size_t most = learning->series[2].count;
        pattern->state = most < 4 * LEAST_SPAN ? WHEEL_TOO_FEW : WHEEL_NO_PATTERN;
        return;
    }
    pattern->edges = edges;
    measure(&learning->series[pattern->rises], pattern);
    cut_angles(pattern);
    allow_for_strokes(pattern);
    size_t turn = cut_alike(pattern);
    if (turn < edges && turn >= FEWEST_CUT) {
        pattern->edges = edges = turn;
        measure(&learning->series[pattern->rises], pattern);
        cut_angles(pattern);
        allow_for_strokes(pattern);
    }
    bool coded =
        edges > 1 && learning->unlikeness[2][1] * CODED_SHARE > learning->unlikeness[2][edges];
    pattern->marked = has_mark(pattern);
    pattern->turn_known = pattern->marked || (coded && edges >= CODED_LEAST);
    pattern->state = WHEEL_FOLLOWED;
}

/*
 * Too few edges to learn a wheel that was given: its shares are what its number says; where its
 * second gap lies, nobody said. But what repeats with a mark of its own is not that wheel.
 */
static void nominal(const struct learning *learning, const struct wheel *given,
                    struct wheel_pattern *pattern) {
    struct wheel_pattern other = {.state = WHEEL_TOO_FEW};
    learn_free(learning, &other);
    pattern->edges = wheel_given_edges(given);
    if (other.marked) {
        pattern->edges = other.edges;
        pattern->state = WHEEL_NOT_AS_GIVEN;
        return;
    }
    wheel_given_pattern(given, pattern);
    if (given->missing_again > 0)
        pattern->state = WHEEL_TOO_FEW;
}

int wheel_learn(const double *const times[2], const size_t counts[2], const struct wheel *given,
                enum sensor_kind kind, struct wheel_pattern *pattern) {
    struct wheel_pattern made = {.state = WHEEL_TOO_FEW};
    struct learning *learning = malloc(sizeof *learning);
    if (learning == NULL)
        return -ENOMEM;
    int result = open_learning(learning, times, counts);
    size_t edges = given->places == 0 ? 0 : wheel_given_edges(given);
    if (result != 0 || edges > WHEEL_MOST_EDGES) {
        made.state = WHEEL_TOO_FEW;
    } else if (edges == 0) {
        learn_free(learning, &made);
    } else {
        /* what is known needs less to be seen */
        double of_given[2] = {unlikeness(&learning->series[0], edges, edges / 2 + 1),
                              unlikeness(&learning->series[1], edges, edges / 2 + 1)};
        if (isinf(of_given[0]) && isinf(of_given[1]))
            nominal(learning, given, &made);
        else
            learn_given(learning, given, kind, of_given, &made);
    }
    close_learning(learning);
    free(learning);
    if (result == 0)
        *pattern = made;
    return result;
}
