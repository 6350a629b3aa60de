// SPDX-License-Identifier: Apache-2.0
/*
 * wheel_follow.c - a search through the readings of the edges, a few of them at a time.
 *
 * The speed is followed by a Kalman filter of one state, the logarithm of a turn's length, which
 * wanders with the angle turned. Departures cost as under Student's distribution: one engine
 * stroke that fires must not be taken for lost teeth.
 */
#include "wheel_follow.h"

#include <errno.h>
#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#define READINGS       32   /* carried along */
#define MOST_READINGS  1024 /* and the ways each may go on */
#define MOST_FURTHER   600L /* teeth on, at most */
#define FEW_FURTHER    5L
#define FAR            1.7   /* so many times as far as the speed says, for a few teeth, */
#define NEAR           1.15  /*   and for more of them */
#define COST_MISSING   7.0   /* natural logarithm of how unlikely that is; */
#define COST_ONE_MORE  0.3   /*   each further tooth, */
#define COST_EXTRA     7.0   /*   an edge that is no tooth's, */
#define COST_NEXT      4.0   /*   each further one, */
#define COST_BOUNCE    0.3   /*   and each within no time of the one before */
#define BOUNCE         0.1   /* part of the time from tooth to tooth, where they are closest */
#define LEAP           1.5   /* the logarithm of a speed changes by less from edge to edge */
#define COST_TAIL      1.5   /* weight of departures: a Student distribution of two degrees */
#define COST_HOPELESS  18.0  /* behind the best: given up */
#define COST_CERTAIN   9.0   /* ahead of the next: taken for good */
#define COST_USUAL     0.8   /* an edge that costs no more leaves no doubt */
#define FITS           1.2   /* standard deviations: no other reading is tried */
#define FITS_AT_MOST   0.25  /* and this part of the interval */
#define SURPRISE       3.0   /* standard deviations: the speed did change */
#define NODES_OFTEN    4096U /* kept while there is no doubt */
#define LEAST_OPEN     16U
#define GAPS_SEEN      2U
#define BEGINNINGS     2U   /* for each place at which it may have begun: read in so many ways */
#define SAME_SPEED     0.15 /* of the logarithm */
#define REST           3.0
#define SILENT_TURNS   1.0
#define SILENT_SHARES  3.5
#define NONE           SIZE_MAX
#define FIRST_VARIANCE 0.04 /* of the logarithm of the speed, behind one interval */
#define UNKNOWN_SPEED  4.0  /* and before any */
/*
 * From rest, at a constant torque, the interval after edge k is sqrt(k + 1) - sqrt(k) of the first:
 * its logarithm falls by 0.88, 0.26, 0.17 ..., about half of 1 / k.
 */
#define RUN_UP 0.5

struct node {
    size_t edge, before; /* the node before; NONE: the first of its stretch */
    long tooth;
    double turn_s, surprise;
};

struct reading {
    size_t last; /* newest edge that is a tooth's */
    long tooth;
    double log_turn, variance;
    double cost;
    bool in_extra; /* the newest edge was no tooth's */
    size_t node;
};

struct search {
    const struct wheel_pattern *pattern;
    size_t edges; /* the pattern's, never 0 */
    const double *times;
    double period_s;
    double log_share[WHEEL_MOST_EDGES];
    double shortest_share;
    size_t count;
    struct reading readings[MOST_READINGS];
    size_t next_count;
    double least;                   /* cost of these */
    size_t heads[WHEEL_MOST_EDGES]; /* those of the newest edge by place, chained; NONE */
    size_t links[MOST_READINGS];
    struct reading next[MOST_READINGS];
    size_t node_count, node_room;
    struct node *nodes;
    size_t stretch, steps_of_stretch;
    size_t first;   /* edge of the stretch */
    size_t settled; /* the edge up to which there is one reading only */
    size_t room;
    struct wheel_path path;
    int error;
};

size_t wheel_place(const struct wheel_pattern *pattern, const struct wheel_step *step) {
    return (size_t)step->tooth % pattern->edges;
}

double wheel_silence_s(const struct wheel_pattern *pattern, double turn_s) {
    return turn_s * fmax(SILENT_TURNS, SILENT_SHARES * pattern->share[pattern->edges - 1]);
}

static size_t place_of(const struct search *search, long tooth) {
    return (size_t)tooth % search->edges;
}

/* ---- nodes: the way that each reading has come ---- */

static size_t add_node(struct search *search, struct node node) {
    if (search->node_count == search->node_room) {
        size_t room = search->node_room == 0 ? 1024 : 2 * search->node_room;
        struct node *nodes = realloc(search->nodes, room * sizeof *nodes);
        if (nodes == NULL) {
            search->error = -ENOMEM;
            return NONE;
        }
        search->nodes = nodes;
        search->node_room = room;
    }
    search->nodes[search->node_count] = node;
    return search->node_count++;
}

static void add_step(struct search *search, const struct node *node) {
    struct wheel_path *path = &search->path;
    if (path->count == search->room) {
        size_t room = search->room == 0 ? 1024 : 2 * search->room;
        struct wheel_step *steps = realloc(path->steps, room * sizeof *steps);
        if (steps == NULL) {
            search->error = -ENOMEM;
            return;
        }
        path->steps = steps;
        search->room = room;
    }
    path->steps[path->count++] = (struct wheel_step){
        .at_s = search->times[node->edge],
        .edge = node->edge,
        .tooth = node->tooth,
        .stretch = search->stretch,
        .turn_s = node->turn_s,
        .surprise = node->surprise,
    };
    search->steps_of_stretch++;
}

/* Takes the way of one reading for good and forgets all others; its newest node stays open. */
static void settle(struct search *search, struct reading reading, bool ends) {
    size_t newest = reading.node;
    size_t after = NONE;
    for (size_t i = newest; i != NONE;) { /* turn the chain round */
        size_t before = search->nodes[i].before;
        search->nodes[i].before = after;
        after = i;
        i = before;
    }
    for (size_t i = after; i != NONE && search->error == 0; i = search->nodes[i].before)
        if (ends || i != newest)
            add_step(search, &search->nodes[i]);
    struct node open = search->nodes[newest];
    open.before = NONE;
    search->nodes[0] = open;
    search->node_count = 1;
    reading.node = 0;
    reading.cost = 0.0;
    search->readings[0] = reading;
    search->count = 1;
}

/* ---- costs ---- */

static double tail(double surprise) {
    return COST_TAIL * log1p(surprise * surprise / 2.0);
}

/* A reading in which edge `edge` is the tooth `further` behind its newest, `share` of a turn on. */
static struct reading accept(const struct search *search, const struct reading *from, size_t edge,
                             long further, double share, double log_share, double *surprise) {
    const struct wheel_pattern *pattern = search->pattern;
    struct reading made = *from;
    double interval_s = fmax(search->times[edge] - search->times[from->last], 1e-9);
    double blur = search->period_s / (2.0 * interval_s);
    double noise = pattern->scatter * pattern->scatter + blur * blur;
    double run_up = RUN_UP / (double)(edge - search->first); /* the stretch may begin from rest */
    double variance = from->variance + pattern->restless * share + run_up * run_up;
    double departure = log(interval_s) - log_share - from->log_turn;
    *surprise = fabs(departure) / sqrt(variance + noise);
    made.cost += tail(*surprise);
    if (further > 1)
        made.cost += COST_MISSING + COST_ONE_MORE * (double)(further - 2);
    if (*surprise > SURPRISE)
        variance += departure * departure / 12.0;
    double gain = variance / (variance + noise);
    made.log_turn += gain * departure;
    made.variance = (1.0 - gain) * variance;
    made.last = edge;
    made.tooth += further;
    made.in_extra = false;
    return made;
}

/* ---- one edge further ---- */

/* Adds a reading; NONE: there is no room, or it is hopeless. */
static size_t append(struct search *search, const struct reading *reading) {
    if (search->next_count == MOST_READINGS || reading->cost > search->least + COST_HOPELESS)
        return NONE;
    search->least = fmin(search->least, reading->cost);
    search->next[search->next_count] = *reading;
    return search->next_count++;
}

/*
 * Adds a reading in which the newest edge is a tooth's, or puts it in the place of one that is not
 * cheaper, at the same tooth and as fast. NONE: it is not needed.
 */
static size_t offer(struct search *search, const struct reading *reading) {
    size_t place = place_of(search, reading->tooth);
    size_t at = search->heads[place];
    while (at != NONE && fabs(search->next[at].log_turn - reading->log_turn) > SAME_SPEED)
        at = search->links[at];
    if (at == NONE) {
        at = append(search, reading);
        if (at != NONE) {
            search->links[at] = search->heads[place];
            search->heads[place] = at;
        }
        return at;
    }
    if (reading->cost >= search->next[at].cost)
        return NONE;
    search->least = fmin(search->least, reading->cost);
    search->next[at] = *reading;
    return at;
}

static void take(struct search *search, const struct reading *from, size_t edge, long further,
                 double share, double log_share) {
    double surprise;
    struct reading made = accept(search, from, edge, further, share, log_share, &surprise);
    bool leaps = fabs(made.log_turn - from->log_turn) > LEAP && from->variance < FIRST_VARIANCE;
    size_t at = leaps ? NONE : offer(search, &made);
    if (at == NONE)
        return;
    struct node node = {edge, from->node, made.tooth, exp(made.log_turn), surprise};
    search->next[at].node = add_node(search, node);
}

/* The next tooth, and those further on that the interval may reach. */
static void go_on(struct search *search, const struct reading *from, size_t edge) {
    const struct wheel_pattern *pattern = search->pattern;
    double turned = (search->times[edge] - search->times[from->last]) / exp(from->log_turn);
    double share = pattern->share[place_of(search, from->tooth)];
    take(search, from, edge, 1, share, search->log_share[place_of(search, from->tooth)]);
    for (long further = 2; further <= MOST_FURTHER; further++) {
        share += pattern->share[place_of(search, from->tooth + further - 1)];
        double reach = further <= FEW_FURTHER ? FAR : NEAR;
        if (share > reach * turned)
            break;
        if (share * reach >= turned)
            take(search, from, edge, further, share, log(share));
    }
}

static void pass_over(struct search *search, const struct reading *from, size_t edge) {
    struct reading made = *from;
    double tooth_s = search->shortest_share * exp(from->log_turn);
    bool bounces = search->times[edge] - search->times[edge - 1] < BOUNCE * tooth_s;
    made.cost += !from->in_extra ? COST_EXTRA : bounces ? COST_BOUNCE : COST_NEXT;
    made.in_extra = true;
    append(search, &made);
}

static int by_cost(const void *left, const void *right) {
    double a = ((const struct reading *)left)->cost;
    double b = ((const struct reading *)right)->cost;
    return (a > b) - (a < b);
}

/* The best of the new readings become those carried on. */
static void choose(struct search *search) {
    size_t most = READINGS;
    if (search->steps_of_stretch == 0) /* where on the wheel it began is not known yet */
        most += BEGINNINGS * search->pattern->edges;
    qsort(search->next, search->next_count, sizeof *search->next, by_cost);
    search->count = 0;
    for (size_t i = 0; i < search->next_count && i < most; i++) {
        if (search->next[i].cost > search->next[0].cost + COST_HOPELESS)
            break;
        search->readings[search->count++] = search->next[i];
    }
}

/*
 * All but the cheapest are far behind, apart from those that merely wait for the next edge. Where
 * on the wheel a stretch began is told by its gap only once that has come twice: what an engine
 * does from rest looks like a gap as well, and a wheel once set wrong stays so.
 */
static bool is_certain(const struct search *search, size_t edge) {
    const struct reading *best = &search->readings[0];
    bool begins = search->steps_of_stretch == 0 && search->pattern->marked &&
                  edge - search->first < GAPS_SEEN * search->pattern->edges;
    if (best->last != edge || begins)
        return false;
    for (size_t i = 1; i < search->count; i++) {
        bool waits = search->readings[i].last != edge && search->readings[i].in_extra;
        double ahead = waits ? COST_EXTRA - COST_USUAL : COST_CERTAIN;
        if (search->readings[i].cost < best->cost + ahead)
            return false;
    }
    return true;
}

/* The usual case: one reading, and the edge is where its next tooth is due. */
static bool fits(struct search *search, size_t edge) {
    const struct reading *only = &search->readings[0];
    if (search->count != 1 || only->variance > 1.0 || only->last + 1 != edge)
        return false;
    size_t place = place_of(search, only->tooth);
    double surprise;
    struct reading made = accept(search, only, edge, 1, search->pattern->share[place],
                                 search->log_share[place], &surprise);
    double expected_s = search->pattern->share[place] * exp(only->log_turn);
    double late_s = search->times[edge] - search->times[only->last] - expected_s;
    if (surprise > FITS || fabs(late_s) > FITS_AT_MOST * expected_s)
        return false;
    made.node =
        add_node(search, (struct node){edge, only->node, made.tooth, exp(made.log_turn), surprise});
    made.cost = 0.0;
    search->readings[0] = made;
    return true;
}

/* So many edges may stay in doubt: what three turns do not tell, the wheel does not. */
static size_t most_open(const struct search *search) {
    return 3 * search->pattern->edges + LEAST_OPEN;
}

/* Takes the next edge; false: no reading of it is left, and the wheel is lost here. */
static bool push_edge(struct search *search, size_t edge) {
    if (fits(search, edge)) {
        if (search->node_count > NODES_OFTEN && search->error == 0)
            settle(search, search->readings[0], false);
        search->settled = edge;
        return true;
    }
    search->next_count = 0;
    search->least = HUGE_VAL;
    for (size_t place = 0; place < WHEEL_MOST_EDGES; place++)
        search->heads[place] = NONE;
    for (size_t i = 0; i < search->count; i++) {
        const struct reading *reading = &search->readings[i];
        double silent_s = search->times[edge] - search->times[reading->last];
        if (silent_s > wheel_silence_s(search->pattern, exp(reading->log_turn)) &&
            reading->in_extra)
            continue; /* it has passed over too much */
        go_on(search, reading, edge);
        pass_over(search, reading, edge);
    }
    if (search->next_count == 0)
        return false;
    choose(search);
    size_t open = edge - search->settled;
    if (search->error == 0 && (is_certain(search, edge) || open > most_open(search))) {
        settle(search, search->readings[0], false);
        search->settled = edge;
    }
    return true;
}

/* ---- stretches ---- */

static void begin_stretch(struct search *search, size_t edge) {
    search->count = 0;
    search->node_count = 0;
    search->steps_of_stretch = 0;
    search->first = search->settled = edge;
    for (size_t place = 0; place < search->pattern->edges; place++) {
        struct node first = {edge, NONE, (long)place, (double)NAN, 0.0};
        search->readings[search->count++] = (struct reading){
            .last = edge,
            .tooth = (long)place,
            .log_turn = 0.0,
            .variance = UNKNOWN_SPEED,
            .node = add_node(search, first),
        };
    }
}

static void end_stretch(struct search *search) {
    if (search->count == 0 || search->error != 0)
        return;
    settle(search, search->readings[0], true);
    search->count = 0;
    search->stretch++;
}

/* A stretch of one edge only. */
static void end_stretch_at(struct search *search, size_t edge) {
    begin_stretch(search, edge);
    end_stretch(search);
}

/* The first interval of a stretch sets the speed of each reading. */
static void second_edge(struct search *search, size_t edge) {
    double interval_s = fmax(search->times[edge] - search->times[edge - 1], 1e-9);
    for (size_t i = 0; i < search->count; i++) {
        struct reading *reading = &search->readings[i];
        size_t place = place_of(search, reading->tooth);
        reading->log_turn = log(interval_s) - search->log_share[place];
        reading->last = edge;
        reading->tooth++;
        reading->variance = search->pattern->scatter * search->pattern->scatter + FIRST_VARIANCE;
        reading->node = add_node(search, (struct node){edge, reading->node, reading->tooth,
                                                       exp(reading->log_turn), 0.0});
    }
}

/* Has the wheel been silent too long before this edge to be followed across? */
static bool is_silent(const struct search *search, size_t edge, size_t first) {
    if (edge < first + 2)
        return false;
    double turn_s = exp(search->readings[0].log_turn);
    return search->times[edge] - search->times[edge - 1] > wheel_silence_s(search->pattern, turn_s);
}

/*
 * Is the first interval of a stretch the rest before it? From rest, the second is shorter by no
 * more than sqrt(2) + 1 at a constant torque, and by what the shares differ.
 */
static bool was_rest(const struct search *search, size_t edge, size_t first) {
    if (edge != first + 2)
        return false;
    const struct wheel_pattern *pattern = search->pattern;
    double before_s = search->times[edge - 1] - search->times[first];
    double after_s = search->times[edge] - search->times[edge - 1];
    return before_s > REST * pattern->share[pattern->edges - 1] / search->shortest_share * after_s;
}

static int run(struct search *search, const bool *cut, size_t count) {
    size_t first = 0;
    for (size_t i = 0; i < count && search->error == 0; i++) {
        if (was_rest(search, i, first) && !cut[i]) {
            end_stretch_at(search, first);
            first = i - 1;
            begin_stretch(search, first);
            second_edge(search, i);
        } else if (i == 0 || cut[i] || is_silent(search, i, first)) {
            end_stretch(search);
            first = i;
            begin_stretch(search, i);
        } else if (i == first + 1) {
            second_edge(search, i);
        } else if (!push_edge(search, i)) {
            end_stretch(search);
            first = i;
            begin_stretch(search, i);
        }
    }
    end_stretch(search);
    search->path.stretch_count = search->stretch;
    return search->error;
}

int wheel_follow(const struct wheel_pattern *pattern, const double *times, const bool *cut,
                 size_t count, double period_s, struct wheel_path *path) {
    if (pattern->edges == 0 || pattern->edges > WHEEL_MOST_EDGES)
        return -EINVAL;
    struct search *search = calloc(1, sizeof *search);
    if (search == NULL)
        return -ENOMEM;
    search->pattern = pattern;
    search->edges = pattern->edges;
    search->times = times;
    search->period_s = period_s;
    search->shortest_share = 1.0;
    for (size_t i = 0; i < pattern->edges; i++) {
        search->log_share[i] = log(pattern->share[i]);
        search->shortest_share = fmin(search->shortest_share, pattern->share[i]);
    }
    int result = run(search, cut, count);
    if (result == 0)
        *path = search->path;
    else
        free(search->path.steps);
    free(search->nodes);
    free(search);
    return result;
}

void wheel_path_free(struct wheel_path *path) {
    free(path->steps);
    path->steps = NULL;
    path->count = 0;
}
