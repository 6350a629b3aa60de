// SPDX-License-Identifier: Apache-2.0
/*
 * comparison_wheels.c - intervals of a wheel place by place, and the one turn of a cam that puts
 * its edges best onto those of another attempt.
 */
#include "comparison_wheels.h"

#include "json_value.h"
#include "night_study.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>

#define TIMES_SCATTER 2.0
#define SAME_PLACE    5.0 /* degrees: edges of two attempts that are taken for the same one */

static const char *const not_measured =
    "it could not be followed through enough turns in one of them";
static const char *const other_speed = "the speeds differ, and compressions shape a pattern";
static const char *const other_phase = "one was measured while cranking, one while running";
static const char *const other_wheel = "they have not the same number of pulses in a turn";
static const char *const no_gap = "the wheel has no gap to count from";

/* The object of that attempt with these names; `other_key` may be NULL. */
static const json_t *find(const struct night_row *row, const char *list, const char *key,
                          const char *name, const char *other_key, const char *other_name) {
    size_t i;
    json_t *object;
    json_array_foreach(json_object_get(row->report, list), i, object) {
        if (comparison_belongs(row, object) && same_text(text_of(object, key), name) &&
            (!other_key || same_text(text_of(object, other_key), other_name)))
            return object;
    }
    return NULL;
}

/* Did they end alike, at a like speed, so that their differences are what nothing changed? */
static bool is_alike(const struct night_row *other, const struct night_row *row) {
    return other != row && other->attempt && other->failed == row->failed &&
           night_outcome(other) == night_outcome(row) && comparison_like_speed(other, row);
}

/* ---- patterns ---- */

static const json_t *find_wheel(const struct night_row *row, const char *sensor) {
    return find(row, "wheels", "sensor", sensor, NULL, NULL);
}

static size_t places_of(const json_t *wheel) {
    return json_array_size(json_object_get(wheel, "degrees"));
}

static double interval(const json_t *wheel, size_t place) {
    return json_number_value(json_array_get(json_object_get(wheel, "degrees"), place));
}

static const char *why_not(const json_t *a, const json_t *b, bool like_speed) {
    if (!a || !b)
        return not_measured;
    if (!json_is_true(json_object_get(a, "marked")) || !json_is_true(json_object_get(b, "marked")))
        return no_gap;
    if (places_of(a) != places_of(b))
        return other_wheel;
    if (!same_text(text_of(a, "phase"), text_of(b, "phase")))
        return other_phase;
    return like_speed ? NULL : other_speed;
}

/* Where the interval at a place lies, over the attempts like this one. */
static void spread_at(const struct night *night, const struct night_row *row,
                      const struct comparison_wheel *wheel, size_t side, size_t place, double *low,
                      double *high) {
    double value = interval(wheel->of[side], place);
    double room = fmax(COMPARISON_LEAST_INTERVAL * value,
                       TIMES_SCATTER * number_of(wheel->of[side], "scatter"));
    *low = value - room;
    *high = value + room;
    for (size_t i = 0; i < night->row_count; i++) {
        const json_t *other =
            is_alike(&night->rows[i], row) ? find_wheel(&night->rows[i], wheel->sensor) : NULL;
        if (!other || why_not(other, wheel->of[side], true))
            continue;
        *low = fmin(*low, interval(other, place));
        *high = fmax(*high, interval(other, place));
    }
}

static int compare_wheel(const struct night *const nights[2], const struct night_row *const rows[2],
                         struct comparison_wheel *wheel) {
    wheel->why = why_not(wheel->of[0], wheel->of[1], comparison_like_speed(rows[0], rows[1]));
    if (wheel->why)
        return 0;
    size_t count = places_of(wheel->of[0]);
    wheel->places = calloc(count, sizeof *wheel->places);
    if (!wheel->places)
        return -ENOMEM;
    for (size_t place = 0; place < count; place++) {
        double low[2], high[2];
        for (size_t side = 0; side < 2; side++)
            spread_at(nights[side], rows[side], wheel, side, place, &low[side], &high[side]);
        if (low[0] > high[1] || low[1] > high[0])
            wheel->places[wheel->place_count++] = place;
    }
    return 0;
}

/* ---- the cam's edges ---- */

static const json_t *find_cam(const struct night_row *row, const char *crank, const char *cam) {
    return find(row, "cams", "crank", crank, "cam", cam);
}

static double turned(double degrees) {
    return degrees - 360.0 * round(degrees / 360.0);
}

/* How far the edges of `b` lie off, once turned back by `by`: to the nearest of `a`, on average. */
static double misfit(const json_t *a, const json_t *b, double by) {
    size_t i, k;
    json_t *one, *other;
    double sum = 0;
    json_array_foreach(json_object_get(b, "edges"), i, one) {
        double nearest = SAME_PLACE;
        json_array_foreach(json_object_get(a, "edges"), k, other) {
            double apart = turned(number_of(one, "degrees") - by - number_of(other, "degrees"));
            if (same_text(text_of(one, "edge"), text_of(other, "edge")))
                nearest = fmin(nearest, fabs(apart));
        }
        sum += nearest;
    }
    return sum / (double)json_array_size(json_object_get(b, "edges"));
}

/* The turn that fits best, and of such that fit as well the least: wheels repeat. NAN: none does.
 */
static double turn_between(const json_t *a, const json_t *b) {
    size_t i, k;
    json_t *one, *other;
    double best = (double)NAN;
    double least = SAME_PLACE;
    json_array_foreach(json_object_get(b, "edges"), i, one) {
        json_array_foreach(json_object_get(a, "edges"), k, other) {
            if (!same_text(text_of(one, "edge"), text_of(other, "edge")))
                continue;
            double by = turned(number_of(one, "degrees") - number_of(other, "degrees"));
            double off = misfit(a, b, by) + 0.001 * fabs(by);
            if (off < least) {
                least = off;
                best = by;
            }
        }
    }
    return best;
}

static double usual_scatter(const json_t *cam) {
    size_t i;
    json_t *edge;
    double most = 0;
    json_array_foreach(json_object_get(cam, "edges"), i, edge) most =
        fmax(most, number_of(edge, "scatter"));
    return most;
}

static double cam_spread(const struct night *night, const struct night_row *row,
                         const struct comparison_cam *cam, size_t side) {
    double spread = fmax(COMPARISON_LEAST_DEGREES, TIMES_SCATTER * usual_scatter(cam->of[side]));
    for (size_t i = 0; i < night->row_count; i++) {
        const json_t *other =
            is_alike(&night->rows[i], row) ? find_cam(&night->rows[i], cam->crank, cam->cam) : NULL;
        double by = other ? turn_between(cam->of[side], other) : (double)NAN;
        if (other && same_text(text_of(other, "phase"), text_of(cam->of[side], "phase")))
            spread = fmax(spread, fabs(by)); /* not for NAN */
    }
    return spread;
}

static void compare_cam(const struct night *const nights[2], const struct night_row *const rows[2],
                        struct comparison_cam *cam) {
    cam->moved_by = cam->spread[0] = cam->spread[1] = (double)NAN;
    if (!cam->of[0] || !cam->of[1])
        cam->why = not_measured;
    else if (!same_text(text_of(cam->of[0], "phase"), text_of(cam->of[1], "phase")))
        cam->why = other_phase;
    if (cam->why)
        return;
    cam->moved_by = turn_between(cam->of[0], cam->of[1]);
    if (isnan(cam->moved_by)) {
        cam->why = "its pulses are not the same ones";
        return;
    }
    for (size_t side = 0; side < 2; side++)
        cam->spread[side] = cam_spread(nights[side], rows[side], cam, side);
    cam->changed = fabs(cam->moved_by) > cam->spread[0] + cam->spread[1];
}

/* ---- all ---- */

static int add_wheel(struct comparison_wheels *to, const struct comparison_wheel *wheel) {
    struct comparison_wheel *grown = realloc(to->wheels, (to->wheel_count + 1) * sizeof *grown);
    if (!grown)
        return -ENOMEM;
    to->wheels = grown;
    grown[to->wheel_count++] = *wheel;
    return 0;
}

static int add_cam(struct comparison_wheels *to, const struct comparison_cam *cam) {
    struct comparison_cam *grown = realloc(to->cams, (to->cam_count + 1) * sizeof *grown);
    if (!grown)
        return -ENOMEM;
    to->cams = grown;
    grown[to->cam_count++] = *cam;
    return 0;
}

static int list_wheels(const struct night_row *const rows[2], struct comparison_wheels *to) {
    int result = 0;
    for (size_t side = 0; side < 2; side++) {
        size_t i;
        json_t *object;
        json_array_foreach(json_object_get(rows[side]->report, "wheels"), i, object) {
            const char *sensor = text_of(object, "sensor");
            struct comparison_wheel wheel = {
                sensor, {find_wheel(rows[0], sensor), find_wheel(rows[1], sensor)}, NULL, 0, NULL};
            if (result == 0 && wheel.of[side] == object && (side == 0 || !wheel.of[0]))
                result = add_wheel(to, &wheel);
        }
    }
    return result;
}

static int list_cams(const struct night_row *const rows[2], struct comparison_wheels *to) {
    int result = 0;
    for (size_t side = 0; side < 2; side++) {
        size_t i;
        json_t *object;
        json_array_foreach(json_object_get(rows[side]->report, "cams"), i, object) {
            struct comparison_cam cam = {.crank = text_of(object, "crank"),
                                         .cam = text_of(object, "cam")};
            for (size_t k = 0; k < 2; k++)
                cam.of[k] = find_cam(rows[k], cam.crank, cam.cam);
            if (result == 0 && cam.of[side] == object && (side == 0 || !cam.of[0]))
                result = add_cam(to, &cam);
        }
    }
    return result;
}

int comparison_wheels_make(const struct night *first, const struct night_row *a,
                           const struct night *second, const struct night_row *b,
                           struct comparison_wheels *to) {
    const struct night *const nights[2] = {first, second};
    const struct night_row *const rows[2] = {a, b};
    struct comparison_wheels made = {0};
    int result = list_wheels(rows, &made);
    if (result == 0)
        result = list_cams(rows, &made);
    for (size_t i = 0; i < made.wheel_count && result == 0; i++)
        result = compare_wheel(nights, rows, &made.wheels[i]);
    for (size_t i = 0; i < made.cam_count && result == 0; i++)
        compare_cam(nights, rows, &made.cams[i]);
    if (result < 0)
        comparison_wheels_done(&made);
    else
        *to = made;
    return result;
}

void comparison_wheels_done(struct comparison_wheels *wheels) {
    for (size_t i = 0; i < wheels->wheel_count; i++)
        free(wheels->wheels[i].places);
    free(wheels->wheels);
    free(wheels->cams);
    *wheels = (struct comparison_wheels){0};
}

bool comparison_wheels_differ(const struct comparison_wheels *wheels) {
    bool differ = false;
    for (size_t i = 0; i < wheels->wheel_count; i++)
        differ = differ || wheels->wheels[i].place_count > 0;
    for (size_t i = 0; i < wheels->cam_count; i++)
        differ = differ || wheels->cams[i].changed;
    return differ;
}
