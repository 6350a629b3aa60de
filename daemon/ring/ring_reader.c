// SPDX-License-Identifier: Apache-2.0
/*
 * ring_reader.c - from wall times to the segments that hold them.
 */
#include "ring_reader.h"

#include "catalogue.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

/* Boards deliver late, and a boot's clock is adjusted: so far a segment's times may be off. */
#define MARGIN_NS (INT64_C(60) * 1000000000)

/* A clock that was further off than this was not yet set. */
#define UNSET_NS (INT64_C(1) * 1000000000)

/* Wall times of a segment; INT64_MIN, INT64_MAX: not known, it may hold anything. */
struct span {
    int64_t from_ns, to_ns;
    bool told;                    /* there is a clock of its boot: */
    size_t clock;                 /* the segment that has the last */
    int64_t wall_less_elapsed_ns; /* by that one */
};

struct ring_reader {
    char *folder;
    struct segment *segments;
    struct span *spans; /* one per segment */
    size_t count;
    int64_t end_ns;
};

/* Nothing that was read is trusted: sums stay at the ends. */
static int64_t sum(int64_t a, int64_t b) {
    int64_t result;
    if (__builtin_add_overflow(a, b, &result))
        return b < 0 ? INT64_MIN : INT64_MAX;
    return result;
}

static bool same_boot(const struct segment *a, const struct segment *b) {
    return a->boot_known && b->boot_known && memcmp(a->boot, b->boot, sizeof a->boot) == 0;
}

static double end_of(struct playback *playback) {
    return (double)playback_wall_ns(playback) + playback_record(playback)->to_s * 1e9;
}

/* What the last clock in one segment says; false where it holds no block or no clock. */
static bool ask_clock(const struct ring_reader *reader, size_t index, int64_t *wall_less_elapsed_ns,
                      int64_t *end_ns) {
    struct playback *playback = NULL;
    char *path = segment_path(reader->folder, reader->segments[index].number);
    const char *paths[] = {path};
    bool told =
        path && playback_open(paths, 1, &playback, NULL, 0) == 0 && playback_wall_ns(playback) > 0;
    if (told) {
        *wall_less_elapsed_ns = playback_wall_ns(playback) - playback_elapsed_ns(playback);
        *end_ns = llround(end_of(playback));
    }
    playback_free(playback);
    free(path);
    return told;
}

/* Gives the segments of one boot, the last of them before `end`, their times; returns the first. */
static size_t place_boot(struct ring_reader *reader, size_t end) {
    size_t first = end - 1, asked = end;
    int64_t offset_ns = 0, end_ns = 0;
    bool told = false;
    while (first > 0 && same_boot(&reader->segments[first - 1], &reader->segments[end - 1]))
        first--;
    while (!told && asked > first)
        told = ask_clock(reader, --asked, &offset_ns, &end_ns);
    if (told && end_ns > reader->end_ns)
        reader->end_ns = end_ns;
    for (size_t i = first; i < end; i++) {
        const struct segment *segment = &reader->segments[i];
        const struct segment *next = i + 1 < end ? segment + 1 : NULL;
        int64_t to_ns = segment->to_ns;
        if (to_ns == INT64_MAX && next)
            to_ns = next->from_ns;
        bool from_known = told && segment->from_ns < INT64_MAX;
        bool to_known = told && to_ns < INT64_MAX && to_ns >= segment->from_ns;
        reader->spans[i] =
            (struct span){.from_ns = from_known ? sum(segment->from_ns, offset_ns) : INT64_MIN,
                          .to_ns = to_known ? sum(to_ns, offset_ns) : INT64_MAX,
                          .told = told,
                          .clock = asked,
                          .wall_less_elapsed_ns = offset_ns};
    }
    return first;
}

int ring_reader_open(const char *folder, struct ring_reader **reader, char *why, size_t why_size) {
    struct ring_reader *made = calloc(1, sizeof *made);
    if (!made)
        return -ENOMEM;
    int result = -ENOMEM;
    made->folder = strdup(folder);
    if (!made->folder)
        goto failed;
    result = segments_known(folder, &made->segments, &made->count);
    if (result < 0)
        goto failed;
    made->spans = calloc(made->count + 1, sizeof *made->spans);
    result = -ENOMEM;
    if (!made->spans)
        goto failed;
    for (size_t end = made->count; end > 0;)
        end = place_boot(made, end);
    result = -ENODATA;
    if (made->end_ns == 0)
        goto failed;
    *reader = made;
    return 0;
failed:
    if (result == -ENODATA)
        snprintf(why, why_size, "%s: nothing is recorded there, or no clock told when", folder);
    else
        snprintf(why, why_size, "%s: %s", folder, strerror(-result));
    ring_reader_free(made);
    return result;
}

void ring_reader_free(struct ring_reader *reader) {
    if (!reader)
        return;
    free(reader->spans);
    free(reader->segments);
    free(reader->folder);
    free(reader);
}

int64_t ring_reader_end_ns(const struct ring_reader *reader) {
    return reader->end_ns;
}

static const char *date_text(int64_t wall_ns, char *text, size_t size) {
    time_t seconds = (time_t)(wall_ns / 1000000000);
    struct tm local;
    if (!localtime_r(&seconds, &local) || !strftime(text, size, "%Y-%m-%d %H:%M:%S", &local))
        snprintf(text, size, "?");
    return text;
}

static int say_empty(const struct ring_reader *reader, char *why, size_t why_size) {
    int64_t begin_ns = INT64_MAX;
    char begin[40] = "", end[40];
    for (size_t i = 0; i < reader->count; i++)
        if (reader->spans[i].from_ns > INT64_MIN && reader->spans[i].from_ns < begin_ns)
            begin_ns = reader->spans[i].from_ns;
    if (begin_ns < INT64_MAX)
        date_text(begin_ns, begin, sizeof begin);
    snprintf(why, why_size, "%s holds %s%s%s: nothing of that stretch", reader->folder, begin,
             begin[0] ? " to " : "what ends ", date_text(reader->end_ns, end, sizeof end));
    return -ENODATA;
}

static bool may_hold(const struct span *span, int64_t from_ns, int64_t to_ns) {
    return sum(span->from_ns, -MARGIN_NS) <= to_ns && sum(span->to_ns, MARGIN_NS) >= from_ns;
}

static int64_t on_axis(const struct playback *playback, int64_t wall_ns) {
    return sum(wall_ns, playback_elapsed_ns(playback) - playback_wall_ns(playback));
}

/* Opens the segments that `wanted` says. */
static int open_wanted(const struct ring_reader *reader, const bool *wanted,
                       struct playback **playback, char *why, size_t why_size) {
    char **paths = calloc(reader->count + 1, sizeof *paths);
    size_t count = 0;
    int result = paths ? 0 : -ENOMEM;
    for (size_t i = 0; !result && i < reader->count; i++) {
        if (!wanted[i])
            continue;
        paths[count] = segment_path(reader->folder, reader->segments[i].number);
        result = paths[count] ? 0 : -ENOMEM;
        count += !result;
    }
    if (!result)
        result = playback_open((const char *const *)paths, count, playback, why, why_size);
    for (size_t i = 0; i < count; i++)
        free(paths[i]);
    free(paths);
    return result;
}

/* The axis is the last segment's boot's: was its clock set in what was opened? */
static bool clock_is_set(const struct ring_reader *reader, const bool *wanted,
                         const struct playback *playback) {
    size_t last = reader->count - 1;
    while (last > 0 && !wanted[last])
        last--;
    const struct span *span = &reader->spans[last];
    double off_ns = (double)playback_wall_ns(playback) - (double)playback_elapsed_ns(playback) -
                    (double)span->wall_less_elapsed_ns;
    return !span->told || fabs(off_ns) <= (double)UNSET_NS;
}

/*
 * Opens what may hold something of the stretch. The segments of later clocks are opened with it
 * only where they are needed: they may be of another hookup, which would then be the record's.
 */
static int open_stretch(const struct ring_reader *reader, int64_t from_ns, int64_t to_ns,
                        struct playback **playback, char *why, size_t why_size) {
    bool *wanted = calloc(reader->count + 1, sizeof *wanted);
    struct playback *opened = NULL;
    bool any = false;
    int result = wanted ? 0 : -ENOMEM;
    for (size_t i = 0; !result && i < reader->count; i++)
        any |= wanted[i] = may_hold(&reader->spans[i], from_ns, to_ns);
    if (!result && !any)
        result = say_empty(reader, why, why_size);
    if (!result)
        result = open_wanted(reader, wanted, &opened, why, why_size);
    if (!result && !clock_is_set(reader, wanted, opened)) {
        playback_free(opened);
        opened = NULL;
        for (size_t i = 0; i < reader->count; i++)
            if (wanted[i] && reader->spans[i].told)
                wanted[reader->spans[i].clock] = true;
        result = open_wanted(reader, wanted, &opened, why, why_size);
    }
    free(wanted);
    if (!result)
        *playback = opened;
    return result;
}

int ring_reader_play(const struct ring_reader *reader, int64_t from_ns, int64_t to_ns,
                     struct playback **playback, char *why, size_t why_size) {
    struct playback *opened = NULL;
    int result = open_stretch(reader, from_ns, to_ns, &opened, why, why_size);
    if (result)
        return result;
    playback_narrow(opened, on_axis(opened, from_ns), on_axis(opened, to_ns));
    const struct record *record = playback_record(opened);
    if (!(record->to_s > record->from_s)) {
        playback_free(opened);
        return say_empty(reader, why, why_size);
    }
    *playback = opened;
    return 0;
}
