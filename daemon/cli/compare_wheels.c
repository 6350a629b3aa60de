// SPDX-License-Identifier: Apache-2.0
/*
 * compare_wheels.c - sentences and keys about wheels of two attempts.
 */
#include "compare_wheels.h"

#include "json_value.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#define PLACES_SAID 6U

static const char *const side_names[] = {"first", "second"};

/* ---- for a person ---- */

static double degrees_at(const json_t *wheel, size_t place) {
    return json_number_value(json_array_get(json_object_get(wheel, "degrees"), place));
}

/* "35 pulses a turn, gap 18.2 degrees, others 9.9 to 11.5 (6 turns while cranking)" */
static void print_pattern(const struct page *page, const char *first, const json_t *wheel) {
    size_t count = json_array_size(json_object_get(wheel, "degrees"));
    if (!wheel) {
        page_say(page, first, "not followed through enough turns (fewer than three)");
        return;
    }
    double low = (double)INFINITY, high = 0, gap = 0;
    for (size_t i = 0; i < count; i++) {
        double degrees = degrees_at(wheel, i);
        high = fmax(high, fmin(degrees, gap));
        gap = fmax(gap, degrees);
        low = fmin(low, degrees);
    }
    bool marked = json_is_true(json_object_get(wheel, "marked"));
    char text[64] = "";
    if (marked)
        snprintf(text, sizeof text, ", a gap of %.1f degrees", gap);
    page_say(page, first, "%zu pulses a turn%s, %s%.1f to %.1f degrees apart (%.0f turns while %s)",
             count, text, marked ? "the others " : "", low, marked ? high : gap,
             number_of(wheel, "turns"), text_of(wheel, "phase"));
}

static void say_places(const struct page *page, const struct comparison_wheel *wheel) {
    for (size_t i = 0; i < wheel->place_count && i < PLACES_SAID; i++) {
        size_t place = wheel->places[i];
        page_say(page, "  ",
                 "Interval %zu behind the gap: %.1f degrees in the first, %.1f in the second.",
                 place + 1, degrees_at(wheel->of[0], place), degrees_at(wheel->of[1], place));
    }
    if (wheel->place_count > PLACES_SAID)
        page_say(page, "  ", "And %zu more.", wheel->place_count - PLACES_SAID);
}

static void print_wheel(const struct page *page, const struct comparison_wheel *wheel) {
    page_say(page, "", "Pulses of the %s sensor, from edge to edge:", wheel->sensor);
    print_pattern(page, "  First:  ", wheel->of[0]);
    print_pattern(page, "  Second: ", wheel->of[1]);
    if (wheel->why && wheel->of[0] && wheel->of[1])
        page_say(page, "  ", "Not compared: %s.", wheel->why);
    else if (!wheel->why && wheel->place_count == 0)
        page_say(page, "  ",
                 "The same pattern, interval by interval, within what turns differ by.");
    else if (!wheel->why)
        page_say(page, "  ",
                 "%zu of %zu intervals changed beyond both spreads: a tooth, the distance to the "
                 "wheel, or pulses that come and go.",
                 wheel->place_count, json_array_size(json_object_get(wheel->of[0], "degrees")));
    say_places(page, wheel);
}

/* "falling 70.0, rising 190.0 degrees behind the gap (while cranking)" */
static void print_edges(const struct page *page, const char *first, const json_t *cam) {
    char text[512] = "";
    size_t i, used = 0;
    json_t *edge;
    json_array_foreach(json_object_get(cam, "edges"), i, edge) {
        int written = snprintf(text + used, sizeof text - used, "%s%s %.1f", i ? ", " : "",
                               text_of(edge, "edge"), number_of(edge, "degrees"));
        if (written < 0 || used + (size_t)written >= sizeof text)
            break;
        used += (size_t)written;
    }
    if (cam)
        page_say(page, first, "%s degrees behind the gap (while %s)", text, text_of(cam, "phase"));
    else
        page_say(page, first, "not seen often enough");
}

static void print_cam(const struct page *page, const struct comparison_cam *cam) {
    page_say(page, "", "Edges of the %s sensor on the turn of the crank (%s sensor):", cam->cam,
             cam->crank);
    print_edges(page, "  First:  ", cam->of[0]);
    print_edges(page, "  Second: ", cam->of[1]);
    double spread = cam->spread[0] + cam->spread[1];
    if (cam->why && cam->of[0] && cam->of[1])
        page_say(page, "  ", "Not compared: %s.", cam->why);
    else if (!cam->why && !cam->changed)
        page_say(page, "  ", "In the same place, within %.1f degrees of the crank.", spread);
    else if (!cam->why)
        page_say(page, "  ",
                 "%.1f degrees of the crank %s in the second, beyond both spreads (%.1f): a belt "
                 "or chain that slipped, a wheel that turned on its shaft, or a sensor that "
                 "moved.",
                 fabs(cam->moved_by), cam->moved_by > 0 ? "later" : "earlier", spread);
}

void compare_wheels_print(const struct page *page, const struct comparison_wheels *wheels) {
    if (wheels->wheel_count + wheels->cam_count == 0)
        return;
    page_heading(page, "Wheels, side by side");
    for (size_t i = 0; i < wheels->wheel_count; i++)
        print_wheel(page, &wheels->wheels[i]);
    for (size_t i = 0; i < wheels->cam_count; i++)
        print_cam(page, &wheels->cams[i]);
}

/* ---- for a program ---- */

static json_t *number(double value) {
    return isfinite(value) ? json_real(value) : json_null();
}

/* The keys of one side, as in the report; null: not measured. */
static json_t *side_json(const json_t *of, const char *const *keys, size_t count) {
    if (!of)
        return json_null();
    json_t *json = json_object();
    for (size_t i = 0; i < count; i++)
        json_object_set(json, keys[i], json_object_get(of, keys[i]));
    return json;
}

static json_t *wheel_json(const struct comparison_wheel *wheel) {
    static const char *const keys[] = {"phase", "edge", "marked", "turns", "degrees", "scatter"};
    json_t *json = json_object();
    json_t *changed = json_array();
    json_object_set_new(json, "sensor", json_string(wheel->sensor));
    for (size_t side = 0; side < 2; side++)
        json_object_set_new(json, side_names[side],
                            side_json(wheel->of[side], keys, sizeof keys / sizeof keys[0]));
    for (size_t i = 0; i < wheel->place_count; i++)
        json_array_append_new(changed, json_integer((json_int_t)wheel->places[i]));
    json_object_set_new(json, "changed", wheel->why ? json_null() : changed);
    if (wheel->why)
        json_decref(changed);
    json_object_set_new(json, "why", wheel->why ? json_string(wheel->why) : json_null());
    return json;
}

static json_t *cam_json(const struct comparison_cam *cam) {
    static const char *const keys[] = {"phase", "edges"};
    json_t *json = json_object();
    json_object_set_new(json, "crank", json_string(cam->crank));
    json_object_set_new(json, "cam", json_string(cam->cam));
    for (size_t side = 0; side < 2; side++)
        json_object_set_new(json, side_names[side],
                            side_json(cam->of[side], keys, sizeof keys / sizeof keys[0]));
    json_object_set_new(json, "moved_by", number(cam->moved_by));
    json_object_set_new(json, "spread_first", number(cam->spread[0]));
    json_object_set_new(json, "spread_second", number(cam->spread[1]));
    json_object_set_new(json, "changed", cam->why ? json_null() : json_boolean(cam->changed));
    json_object_set_new(json, "why", cam->why ? json_string(cam->why) : json_null());
    return json;
}

void compare_wheels_json(const struct comparison_wheels *wheels, json_t *json) {
    json_t *list = json_array();
    for (size_t i = 0; i < wheels->wheel_count; i++)
        json_array_append_new(list, wheel_json(&wheels->wheels[i]));
    json_object_set_new(json, "wheels", list);
    list = json_array();
    for (size_t i = 0; i < wheels->cam_count; i++)
        json_array_append_new(list, cam_json(&wheels->cams[i]));
    json_object_set_new(json, "cams", list);
}
