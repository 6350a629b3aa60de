// SPDX-License-Identifier: Apache-2.0
/*
 * channel_scale.c - how a channel's counts become volts or amperes: the one of four ways given.
 */
#include "channel_scale.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const char *const ways[] = {"divider", "volts-per-count", "points", "amps-per-volt"};
#define WAYS (sizeof ways / sizeof ways[0])

static int by_counts(const void *left, const void *right) {
    const double *a = left;
    const double *b = right;
    return a[0] < b[0] ? -1 : a[0] > b[0];
}

/* "12.61:2650" as two numbers: volts first, counts second. */
static bool read_point(struct reading *reading, const struct document_section *section,
                       const struct document_entry *entry, char *text, double point[2]) {
    char *counts = strchr(text, ':');
    if (!counts) {
        reading_problem(reading, section, entry,
                        "a point is VOLTS:COUNTS, and points are separated by commas (decimals "
                        "have a point): 0:12, 12.61:2650");
        return false;
    }
    *counts++ = '\0';
    text[strcspn(text, " \t")] = '\0';
    counts += strspn(counts, " \t");
    counts[strcspn(counts, " \t")] = '\0';
    return reading_quantity(reading, section, entry, text, QUANTITY_PLAIN, -1e6, 1e6, &point[1]) &&
           reading_quantity(reading, section, entry, counts, QUANTITY_PLAIN, INT32_MIN, INT32_MAX,
                            &point[0]);
}

/* Reads the points in order of counts; their number, or 0 after a problem. */
static size_t read_points(struct reading *reading, const struct document_section *section,
                          const struct document_entry *entry, double points[SCALE_POINTS][2]) {
    size_t count = 0;
    char *rest = arena_text(reading->arena, entry->value, strlen(entry->value));
    if (!rest) {
        reading->out_of_memory = true;
        return 0;
    }
    while (rest) {
        char *text = strsep(&rest, ",");
        text += strspn(text, " \t");
        if (count == SCALE_POINTS) {
            reading_problem(reading, section, entry, "at most %d points", SCALE_POINTS);
            return 0;
        }
        if (!read_point(reading, section, entry, text, points[count]))
            return 0;
        count++;
    }
    if (count < 2) {
        reading_problem(reading, section, entry, "at least two points make a scale");
        return 0;
    }
    qsort(points, count, sizeof points[0], by_counts);
    bool rises = points[1][1] > points[0][1];
    for (size_t i = 1; i < count; i++)
        if (!(points[i][0] > points[i - 1][0]) ||
            !(rises ? points[i][1] > points[i - 1][1] : points[i][1] < points[i - 1][1])) {
            reading_problem(reading, section, entry,
                            "counts must differ, and the values must rise or fall with them all "
                            "the way");
            return 0;
        }
    return count;
}

/* The way that is given; NULL: none, or more than one (then a problem). */
static const struct document_entry *read_way(struct reading *reading,
                                             const struct document_section *section) {
    const struct document_entry *given = NULL;
    for (size_t i = 0; i < WAYS; i++) {
        const struct document_entry *entry = reading_entry(reading, section, ways[i]);
        if (entry && given)
            reading_problem(reading, section, entry,
                            "the scale is given twice (also by %s in line %u): keep one of "
                            "divider, volts-per-count, points, amps-per-volt",
                            given->key, given->line);
        if (entry && !given)
            given = entry;
    }
    return given;
}

static bool is_unit(const struct vehicle_channel *channel, const char *unit) {
    return strcmp(channel->unit, unit) == 0;
}

/* Contradictions between the way of scaling and what the channel is said to be. */
static void check_unit(struct reading *reading, const struct document_section *section,
                       const struct document_entry *way, const struct vehicle_channel *channel) {
    bool amps = strcmp(way->key, "amps-per-volt") == 0;
    if (amps && !is_unit(channel, "A"))
        reading_problem(reading, section, way, "gives amperes, but the channel's unit is %s",
                        channel->unit);
    if (strcmp(way->key, "divider") == 0 && is_unit(channel, "A"))
        reading_problem(reading, section, way,
                        "a divider gives volts, but the channel's unit is A: amps-per-volt says "
                        "what the clamp or shunt gives");
}

static void read_straight(struct reading *reading, const struct document_section *section,
                          const struct document_entry *way, double *factor) {
    double number;
    double lowest = strcmp(way->key, "divider") == 0 ? 1e-6 : -1e6;
    if (!reading_quantity(reading, section, way, way->value, QUANTITY_PLAIN, lowest, 1e6, &number))
        return;
    if (fabs(number) > 0)
        *factor = number;
    else
        reading_problem(reading, section, way, "must not be 0");
}

void channel_scale_read(struct reading *reading, const struct document_section *section,
                        struct vehicle_channel *channel, struct channel_fit *fit,
                        enum hookup_scale *kind) {
    fit->factor = 1;
    *kind = HOOKUP_SCALE_TIMES_BOARD;
    reading_number(reading, section, "offset",
                   is_unit(channel, "V")   ? QUANTITY_VOLTS
                   : is_unit(channel, "A") ? QUANTITY_AMPERES
                                           : QUANTITY_PLAIN,
                   -1e6, 1e6, &fit->offset);
    const struct document_entry *way = read_way(reading, section);
    if (way)
        check_unit(reading, section, way, channel);
    if (way && strcmp(way->key, "points") == 0) {
        double points[SCALE_POINTS][2];
        struct scale *scale = &channel->scale;
        scale->points = read_points(reading, section, way, points);
        for (size_t i = 0; i < scale->points; i++) {
            scale->counts[i] = points[i][0];
            scale->values[i] = points[i][1] + fit->offset;
        }
        *kind = HOOKUP_SCALE_WHOLE;
        return;
    }
    if (way)
        read_straight(reading, section, way, &fit->factor);
    if (way && strcmp(way->key, "volts-per-count") == 0)
        *kind = HOOKUP_SCALE_WHOLE;
    channel->scale = scale_line(fit->factor, fit->offset);
}
