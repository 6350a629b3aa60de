// SPDX-License-Identifier: Apache-2.0
/*
 * timeline.c - clocks of several streams, epochs and boots on one axis.
 *
 * Nothing here is trusted: every sum saturates, so that damaged or forged clocks give nonsense
 * times and never undefined behaviour.
 */
#include "timeline.h"

#include <errno.h>
#include <math.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>

#define LIMIT_NS      (INT64_C(1) << 61)
#define RATE_LOWEST   1e-6 /* scans a second: beyond, no clock of a board */
#define RATE_HIGHEST  1e12
#define BETWEEN_BOOTS 1000000000 /* at least, where the wall times of two boots overlap */

struct boot {
    uint8_t id[16];
    int64_t wall_less_elapsed_ns; /* by its last clock: the best set one */
    int64_t last_clock_ns;
    uint32_t last_epoch;    /* epochs only ever rise: they order the boots */
    int64_t from_ns, to_ns; /* of its samples, in its own elapsed time; from > to: none */
    int64_t shift_ns;       /* own elapsed time -> axis */
};

struct epoch {
    uint16_t stream;
    uint32_t number;
    size_t anchor, anchors; /* in timeline.clock */
    size_t boot;
    bool used;
    uint64_t first, end; /* of its samples */
    int64_t shift_ns;    /* so that it does not begin before the epoch before it has ended */
};

struct timeline {
    struct chunk_clock *clock;
    size_t clocks, clock_room;
    struct epoch *epoch;
    size_t epochs;
    struct boot *boot; /* oldest first, once placed */
    size_t boots;
};

static int64_t limited(int64_t ns) {
    return ns > LIMIT_NS ? LIMIT_NS : ns < -LIMIT_NS ? -LIMIT_NS : ns;
}

/* Both within +-2^61: the sum cannot overflow. */
static int64_t add_ns(int64_t a, int64_t b) {
    return limited(limited(a) + limited(b));
}

static int64_t round_ns(double ns) {
    if (!(fabs(ns) < (double)LIMIT_NS))
        return ns < 0 ? -LIMIT_NS : LIMIT_NS;
    return llround(ns);
}

int timeline_new(struct timeline **timeline) {
    *timeline = calloc(1, sizeof **timeline);
    return *timeline ? 0 : -ENOMEM;
}

void timeline_free(struct timeline *timeline) {
    if (!timeline)
        return;
    free(timeline->clock);
    free(timeline->epoch);
    free(timeline->boot);
    free(timeline);
}

int timeline_add(struct timeline *timeline, const struct chunk_clock *clock) {
    if (!(clock->rate_hz >= RATE_LOWEST && clock->rate_hz <= RATE_HIGHEST))
        return 0;
    if (timeline->clocks == timeline->clock_room) {
        size_t room = timeline->clock_room ? 2 * timeline->clock_room : 64;
        struct chunk_clock *more = reallocarray(timeline->clock, room, sizeof *more);
        if (!more)
            return -ENOMEM;
        timeline->clock = more;
        timeline->clock_room = room;
    }
    timeline->clock[timeline->clocks] = *clock;
    timeline->clock[timeline->clocks].elapsed_ns = limited(clock->elapsed_ns);
    timeline->clock[timeline->clocks++].wall_ns = limited(clock->wall_ns);
    return 0;
}

/* ---- sorting out ---- */

static int compare_u64(uint64_t a, uint64_t b) {
    return (a > b) - (a < b);
}

static int by_place(const void *a, const void *b) {
    const struct chunk_clock *left = a, *right = b;
    int order = compare_u64(left->place.stream, right->place.stream);
    if (!order)
        order = compare_u64(left->place.epoch, right->place.epoch);
    if (!order)
        order = compare_u64(left->place.first_scan, right->place.first_scan);
    if (!order)
        order = (left->elapsed_ns > right->elapsed_ns) - (left->elapsed_ns < right->elapsed_ns);
    return order;
}

static size_t find_boot(const struct timeline *timeline, const uint8_t id[16]) {
    for (size_t i = 0; i < timeline->boots; i++)
        if (memcmp(timeline->boot[i].id, id, sizeof timeline->boot[i].id) == 0)
            return i;
    return TIMELINE_NONE;
}

/* The clock's boot, made where it is the first clock of it; -ENOMEM. */
static int note_boot(struct timeline *timeline, const struct chunk_clock *clock) {
    size_t index = find_boot(timeline, clock->boot);
    if (index == TIMELINE_NONE) {
        struct boot *more = reallocarray(timeline->boot, timeline->boots + 1, sizeof *more);
        if (!more)
            return -ENOMEM;
        timeline->boot = more;
        index = timeline->boots++;
        more[index] =
            (struct boot){.last_clock_ns = INT64_MIN, .from_ns = INT64_MAX, .to_ns = INT64_MIN};
        memcpy(more[index].id, clock->boot, sizeof more[index].id);
    }
    struct boot *boot = &timeline->boot[index];
    if (clock->elapsed_ns >= boot->last_clock_ns) {
        boot->last_clock_ns = clock->elapsed_ns;
        boot->wall_less_elapsed_ns = clock->wall_ns - clock->elapsed_ns;
    }
    if (clock->place.epoch > boot->last_epoch)
        boot->last_epoch = clock->place.epoch;
    return 0;
}

/* Does `clock` say something that goes with the one before it in its epoch? */
static bool goes_on(const struct chunk_clock *before, const struct chunk_clock *clock) {
    return clock->place.first_scan > before->place.first_scan &&
           clock->elapsed_ns > before->elapsed_ns &&
           memcmp(clock->boot, before->boot, sizeof clock->boot) == 0;
}

static bool same_epoch(const struct chunk_clock *a, const struct chunk_clock *b) {
    return a->place.stream == b->place.stream && a->place.epoch == b->place.epoch;
}

static int by_last_epoch(const void *a, const void *b) {
    const struct boot *left = a, *right = b;
    return compare_u64(left->last_epoch, right->last_epoch);
}

int timeline_finish(struct timeline *timeline) {
    if (!timeline->clocks)
        return 0;
    qsort(timeline->clock, timeline->clocks, sizeof *timeline->clock, by_place);
    free(timeline->epoch);
    timeline->epochs = timeline->boots = 0;
    timeline->epoch = calloc(timeline->clocks, sizeof *timeline->epoch);
    if (!timeline->epoch)
        return -ENOMEM;
    size_t kept = 0;
    for (size_t i = 0; i < timeline->clocks; i++) {
        const struct chunk_clock clock = timeline->clock[i];
        bool new_epoch = !kept || !same_epoch(&timeline->clock[kept - 1], &clock);
        if (!new_epoch && !goes_on(&timeline->clock[kept - 1], &clock))
            continue;
        if (note_boot(timeline, &clock) < 0)
            return -ENOMEM;
        if (new_epoch)
            timeline->epoch[timeline->epochs++] = (struct epoch){
                .stream = clock.place.stream, .number = clock.place.epoch, .anchor = kept};
        timeline->epoch[timeline->epochs - 1].anchors++;
        timeline->clock[kept++] = clock;
    }
    timeline->clocks = kept;
    qsort(timeline->boot, timeline->boots, sizeof *timeline->boot, by_last_epoch);
    for (size_t i = 0; i < timeline->epochs; i++)
        timeline->epoch[i].boot =
            find_boot(timeline, timeline->clock[timeline->epoch[i].anchor].boot);
    return 0;
}

size_t timeline_epoch(const struct timeline *timeline, uint16_t stream, uint32_t epoch) {
    size_t low = 0, high = timeline->epochs;
    while (low < high) {
        size_t middle = low + (high - low) / 2;
        const struct epoch *at = &timeline->epoch[middle];
        if (at->stream < stream || (at->stream == stream && at->number < epoch))
            low = middle + 1;
        else
            high = middle;
    }
    bool found = low < timeline->epochs && timeline->epoch[low].stream == stream &&
                 timeline->epoch[low].number == epoch;
    return found ? low : TIMELINE_NONE;
}

int timeline_guess(struct timeline *timeline, const struct chunk_clock *clock) {
    if (timeline_epoch(timeline, clock->place.stream, clock->place.epoch) != TIMELINE_NONE)
        return 0;
    struct chunk_clock guess = *clock;
    size_t boot = find_boot(timeline, guess.boot);
    if (boot == TIMELINE_NONE && timeline->boots)
        boot = timeline->boots - 1;
    int64_t wall_less_elapsed_ns = 0;
    if (boot != TIMELINE_NONE) {
        memcpy(guess.boot, timeline->boot[boot].id, sizeof guess.boot);
        wall_less_elapsed_ns = timeline->boot[boot].wall_less_elapsed_ns;
    }
    guess.wall_ns = add_ns(guess.elapsed_ns, wall_less_elapsed_ns);
    return timeline_add(timeline, &guess);
}

/* ---- time of a scan ---- */

/* Elapsed time of the epoch's own boot. */
static int64_t own_time(const struct timeline *timeline, const struct epoch *epoch, uint64_t scan) {
    const struct chunk_clock *anchor = &timeline->clock[epoch->anchor];
    size_t low = 0, high = epoch->anchors;
    while (low < high) { /* the first anchor after the scan */
        size_t middle = low + (high - low) / 2;
        if (anchor[middle].place.first_scan <= scan)
            low = middle + 1;
        else
            high = middle;
    }
    const struct chunk_clock *from = &anchor[low ? low - 1 : 0];
    double scans = scan >= from->place.first_scan ? (double)(scan - from->place.first_scan)
                                                  : -(double)(from->place.first_scan - scan);
    double period_ns = 1e9 / from->rate_hz;
    if (low > 0 && low < epoch->anchors) {
        const struct chunk_clock *to = &anchor[low];
        period_ns = (double)(to->elapsed_ns - from->elapsed_ns) /
                    (double)(to->place.first_scan - from->place.first_scan);
    }
    return add_ns(from->elapsed_ns, round_ns(scans * period_ns));
}

int64_t timeline_at(const struct timeline *timeline, size_t epoch, uint64_t scan) {
    const struct epoch *of = &timeline->epoch[epoch];
    int64_t at = add_ns(own_time(timeline, of, scan), timeline->boot[of->boot].shift_ns);
    return limited(at + of->shift_ns); /* at most 2^61 + 2^62 */
}

/* ---- placing ---- */

void timeline_extend(struct timeline *timeline, size_t epoch, uint64_t first, uint64_t end) {
    struct epoch *of = &timeline->epoch[epoch];
    if (!of->used || first < of->first)
        of->first = first;
    if (!of->used || end > of->end)
        of->end = end;
    of->used = true;
}

static void place_boots(struct timeline *timeline) {
    for (size_t i = 0; i < timeline->epochs; i++) {
        const struct epoch *epoch = &timeline->epoch[i];
        if (!epoch->used)
            continue;
        struct boot *boot = &timeline->boot[epoch->boot];
        int64_t from = own_time(timeline, epoch, epoch->first);
        int64_t to = own_time(timeline, epoch, epoch->end);
        boot->from_ns = from < boot->from_ns ? from : boot->from_ns;
        boot->to_ns = to > boot->to_ns ? to : boot->to_ns;
    }
    int64_t next_begins = LIMIT_NS;
    const struct boot *newest = timeline->boots ? &timeline->boot[timeline->boots - 1] : NULL;
    for (size_t i = timeline->boots; i-- > 0;) {
        struct boot *boot = &timeline->boot[i];
        boot->shift_ns = add_ns(boot->wall_less_elapsed_ns, -limited(newest->wall_less_elapsed_ns));
        if (boot->from_ns > boot->to_ns)
            continue; /* no samples: nothing that could overlap */
        /* A computer that woke up with a wrong date: order is known all the same. */
        if (boot != newest && add_ns(boot->to_ns, boot->shift_ns) > next_begins)
            boot->shift_ns = add_ns(next_begins - BETWEEN_BOOTS, -boot->to_ns);
        next_begins = add_ns(boot->from_ns, boot->shift_ns);
    }
}

/* Within its error a clock may let an epoch begin before the one before it has ended. */
static void part_epochs(struct timeline *timeline) {
    const struct epoch *before = NULL;
    for (size_t i = 0; i < timeline->epochs; i++) {
        struct epoch *epoch = &timeline->epoch[i];
        if (!epoch->used)
            continue;
        if (before && before->stream == epoch->stream) {
            int64_t ended = timeline_at(timeline, (size_t)(before - timeline->epoch), before->end);
            int64_t begins = timeline_at(timeline, i, epoch->first);
            if (begins < ended)
                epoch->shift_ns = ended - begins;
        }
        before = epoch;
    }
}

void timeline_place(struct timeline *timeline) {
    place_boots(timeline);
    part_epochs(timeline);
}

int64_t timeline_of_boot(const struct timeline *timeline, const uint8_t boot[16],
                         int64_t elapsed_ns) {
    size_t index = find_boot(timeline, boot);
    return index == TIMELINE_NONE ? limited(elapsed_ns)
                                  : add_ns(elapsed_ns, timeline->boot[index].shift_ns);
}

double timeline_error_ns(const struct timeline *timeline, uint16_t stream) {
    double error_ns = 0;
    for (size_t i = 0; i < timeline->clocks; i++) /* by stream, epoch, scan */
        if (timeline->clock[i].place.stream == stream)
            error_ns = timeline->clock[i].error_ns;
    return error_ns;
}

int64_t timeline_wall(const struct timeline *timeline, int64_t at_ns) {
    /* The newest boot that had begun then, or else the oldest. */
    const struct boot *boot = NULL;
    for (size_t i = timeline->boots; i-- > 0;) {
        if (timeline->boot[i].from_ns > timeline->boot[i].to_ns)
            continue;
        boot = &timeline->boot[i];
        if (add_ns(boot->from_ns, boot->shift_ns) <= at_ns)
            break;
    }
    return boot ? add_ns(add_ns(at_ns, -boot->shift_ns), boot->wall_less_elapsed_ns) : 0;
}
