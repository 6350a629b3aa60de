// SPDX-License-Identifier: Apache-2.0
/*
 * wheel_helper.c - pulses for the tests of wheels.
 */
#include "wheel_helper.h"

#include "cmocka_helper.h"
#include "edges.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

void pulse_list_add(struct pulse_list *list, double at_s, bool rises) {
    if (list->count == list->room) {
        list->room = list->room == 0 ? 256 : 2 * list->room;
        list->pulses = realloc(list->pulses, list->room * sizeof *list->pulses);
        assert_non_null(list->pulses);
    }
    list->pulses[list->count] = (struct pulse){at_s, rises, list->count == 0};
    list->count++;
    list->to_s = at_s;
}

void pulse_list_free(struct pulse_list *list) {
    free(list->pulses);
}

struct pulse_list pulses_of_levels(const struct recording *recording) {
    struct pulse_list list = {0};
    for (size_t i = 1; i < recording->rows; i++) {
        bool high = recording->values[i] > 0.5;
        if (high != (recording->values[i - 1] > 0.5))
            pulse_list_add(&list, recording->times[i], high);
    }
    return list;
}

static void note(void *context, const struct edge *edge) {
    struct pulse_list *list = context;
    pulse_list_add(list, edge->at_s, edge->rises);
    list->pulses[list->count - 1].first_state = edge->first_state;
}

/* Finds the edges of a channel of a sheet. */
static struct pulse_list edges_of_sheet(struct sheet *sheet, size_t channel,
                                        enum sensor_kind kind) {
    struct pulse_list list = {0};
    struct record record = sheet_record(sheet);
    struct edges *edges = NULL;
    struct record_run run;
    assert_int_equal(edges_new(&sheet->channels[channel].scale, kind, &edges), 0);
    while (record.next(record.context, &run) == 1)
        edges_push(edges, run.counts[channel], run.scans, run.time_s, run.period_s, note, &list);
    edges_free(edges);
    list.to_s = record.to_s;
    sheet_free(sheet);
    return list;
}

struct pulse_list pulses_of_sampled_levels(const struct recording *recording, double rate_hz) {
    double length_s = recording->times[recording->rows - 1];
    struct sheet *sheet = sheet_new(rate_hz, 0.0, length_s, 12.0);
    size_t channel = sheet_channel(sheet, "signal", ROLE_SIGNAL, 0.0, 6.0);
    sheet->noise[channel] = 0.02;
    recording_draw_edges(sheet, channel, recording, 0.0, 0.12, 4.96);
    return edges_of_sheet(sheet, channel, SENSOR_HALL);
}

struct pulse_list pulses_of_volts(const struct recording *recording, double rate_hz) {
    double length_s = recording->times[recording->rows - 1];
    struct sheet *sheet = sheet_new(rate_hz, 0.0, length_s, 12.0);
    size_t channel = sheet_channel(sheet, "coil", ROLE_SIGNAL, -1.54, 10.2);
    recording_draw_volts(sheet, channel, recording, 0.0);
    return edges_of_sheet(sheet, channel, SENSOR_INDUCTIVE);
}

struct wheel_signal wheel_signal_of(const struct pulse_list *list, const char *wheel) {
    struct wheel_signal signal = {
        .pulses = list->pulses,
        .count = list->count,
        .samples_per_state = 5.0,
        .to_s = list->to_s,
        .engaged_s = list->count > 0 ? list->pulses[0].at_s - 0.001 : 0.0,
        .released_s = list->to_s,
        .running_speed = 450.0,
        .kind = SENSOR_HALL,
    };
    assert_int_equal(wheel_from_text(wheel, &signal.wheel), 0);
    return signal;
}

void wheel_print(const struct wheel_track *track) {
    static const char *const kinds[] = {"missing", "extra", "break", "lost"};
    const struct wheel_pattern *pattern = &track->pattern;
    print_message("state %d, %zu edges (%s)%s%s, scatter %.3f, restless %.3f, %zu of stretches "
                  "%zu, refused %zu\n",
                  (int)pattern->state, pattern->edges, pattern->rises ? "rising" : "falling",
                  pattern->turn_known ? ", turn known" : "", pattern->learnt ? ", learnt" : "",
                  pattern->scatter, pattern->restless, track->path.count, track->path.stretch_count,
                  track->refused);
    print_message("  %.2f rpm (%.2f to %.2f), %zu turns, shortest state %.6f s\n", track->rpm,
                  track->rpm_low, track->rpm_high, track->turn_count, track->shortest_state_s);
    for (size_t i = 0; i < track->event_count; i++) {
        const struct wheel_event *event = &track->events[i];
        print_message("  %s %zu: %.6f, due %.6f, resumed %.6f, width %.7f%s%s\n",
                      kinds[event->kind], event->pulses, event->last_s, event->due_s,
                      event->resumed_s, event->width_s, event->slowing ? ", slowing" : "",
                      event->in_phase ? ", in phase" : "");
    }
}

struct wheel_track *wheel_track_of(const struct wheel_signal *signal) {
    struct wheel_track *track = NULL;
    assert_int_equal(wheel_track_new(signal, &track), 0);
    if (getenv("CRANKTRAP_VERBOSE") != NULL)
        wheel_print(track);
    return track;
}
