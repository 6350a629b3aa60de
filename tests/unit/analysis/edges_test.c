// SPDX-License-Identifier: Apache-2.0
/*
 * edges_test.c - times of edges between samples, noise, losses; published wheels; turning.
 */
#include "edges.h"
#include "turning.h"

#include "cmocka_helper.h"
#include "sheet_helper.h"

#include <math.h>
#include <stdlib.h>

#define MOST 4096

struct notes {
    size_t count;
    struct edge edge[MOST];
};

static void note(void *context, const struct edge *edge) {
    struct notes *notes = context;
    assert_true(notes->count < MOST);
    notes->edge[notes->count++] = *edge;
}

static const struct scale volts = {.points = 2, .counts = {0, 4000}, .values = {0, 8}};

/* Samples a shape of time at `rate` from second 0 on, in pieces, and finds its edges. */
static struct notes *find(double (*shape)(double at_s), double rate, double seconds, size_t piece) {
    struct notes *notes = calloc(1, sizeof *notes);
    size_t count = (size_t)(rate * seconds);
    int32_t *counts = calloc(count, sizeof *counts);
    struct edges *edges = NULL;
    assert_true(notes != NULL && counts != NULL);
    assert_int_equal(edges_new(&volts, SENSOR_HALL, &edges), 0);
    for (size_t i = 0; i < count; i++)
        counts[i] = (int32_t)lrint(scale_counts(&volts, shape((double)i / rate)));
    for (size_t i = 0; i < count; i += piece)
        edges_push(edges, counts + i, count - i < piece ? count - i : piece, (double)i / rate,
                   1.0 / rate, note, notes);
    edges_free(edges);
    free(counts);
    return notes;
}

/*
 * A pulse with linear edges of T = 20 ms, 0 to 5 V and back: it crosses the middle half-way, and
 * its width at 50 % is its high time plus (rise + fall) / 2 (geometry; that IEEE Std 181 measures
 * at 50 % was read at second hand).
 */
static double linear_pulse(double at_s) {
    at_s = fmod(at_s, 0.3);
    if (at_s < 0.1)
        return 0.0;
    if (at_s < 0.12)
        return 5.0 * (at_s - 0.1) / 0.02;
    if (at_s < 0.2)
        return 5.0;
    return at_s < 0.22 ? 5.0 * (0.22 - at_s) / 0.02 : 0.0;
}

static void a_linear_pulse(void **state) {
    (void)state;
    for (size_t piece = 1; piece < 100; piece += 7) {
        struct notes *notes = find(linear_pulse, 997.0, 0.6, piece);
        assert_int_equal(notes->count, 4);
        assert_true(notes->edge[0].rises && !notes->edge[1].rises);
        assert_true(notes->edge[0].first_state && !notes->edge[1].first_state);
        /* the first edge is dated within its rise, the levels not being known yet */
        assert_near(notes->edge[0].at_s, 0.11, 0.01);
        assert_near(notes->edge[2].at_s, 0.41, 2e-4);
        assert_near(notes->edge[3].at_s - notes->edge[2].at_s, 0.08 + 0.02, 4e-4);
        free(notes);
    }
}

/* One-pole step: it is at 50 % after tau x ln 2 = 0.693147 tau (textbook). */
static double rc_step(double at_s) {
    if (at_s < 0.02) /* the levels are shown first */
        return 5.0;
    return at_s < 0.05 ? 0.0 : 5.0 * (1.0 - exp(-(at_s - 0.05) / 0.010));
}

static void an_rc_edge(void **state) {
    (void)state;
    struct notes *notes = find(rc_step, 5000.0, 0.3, 64);
    assert_int_equal(notes->count, 2);
    assert_near(notes->edge[1].at_s - 0.05, 0.693147 * 0.010, 2e-4);
    free(notes);
}

/* Noise of a fifth of a volt on slow edges makes no edge more. */
static double noisy(double at_s) {
    static uint64_t seed = 4;
    double phase = fmod(at_s * 10.0, 1.0);
    double clean = phase < 0.5 ? fmin(5.0, phase * 100.0) : fmax(0.0, 5.0 - (phase - 0.5) * 100.0);
    return clean + 0.2 * sheet_random(&seed);
}

static void noise_makes_no_edges(void **state) {
    (void)state;
    struct notes *notes = find(noisy, 10000.0, 5.0, 500);
    assert_in_range(notes->count, 99, 100);
    for (size_t i = 1; i < notes->count; i++) {
        assert_true(notes->edge[i].rises != notes->edge[i - 1].rises);
        assert_near(notes->edge[i].at_s - notes->edge[i - 1].at_s, 0.05, 0.002);
    }
    free(notes);
}

/* A level with a spike that comes back at once, and one that stays: the spike alone is a pulse. */
static double standing(double at_s) {
    static uint64_t seed = 6;
    (void)at_s;
    return 4.9 + 0.05 * sheet_random(&seed);
}

static void a_signal_that_stands_still(void **state) {
    (void)state;
    struct notes *notes = find(standing, 10000.0, 5.0, 500);
    assert_int_equal(notes->count, 0);
    free(notes);
}

static void nothing_is_made_up_across_a_loss(void **state) {
    (void)state;
    const int32_t low[8] = {0};
    int32_t high[8];
    struct notes notes = {0};
    struct edges *edges = NULL;
    for (size_t i = 0; i < 8; i++)
        high[i] = 2500;
    assert_int_equal(edges_new(&volts, SENSOR_HALL, &edges), 0);
    edges_push(edges, low, 8, 0.0, 0.001, note, &notes);
    edges_break(edges);
    edges_push(edges, high, 8, 1.0, 0.001, note, &notes);
    assert_int_equal(notes.count, 0);
    edges_push(edges, low, 8, 1.008, 0.001, note, &notes);
    assert_int_equal(notes.count, 1);
    assert_true(notes.edge[0].first_state);
    assert_false(notes.edge[0].rises);
    edges_free(edges);
    edges_free(NULL);
}

/* An input behind an inverting divider: counts fall while the value rises. */
static void a_falling_scale(void **state) {
    (void)state;
    struct scale falling = scale_line(-0.002, 8.0);
    const int32_t counts[] = {4000, 4000, 4000, 1500, 1500, 1500};
    struct notes notes = {0};
    struct edges *edges = NULL;
    assert_int_equal(edges_new(&falling, SENSOR_HALL, &edges), 0);
    edges_push(edges, counts, 6, 0.0, 0.001, note, &notes);
    assert_int_equal(notes.count, 1);
    assert_true(notes.edge[0].rises);
    edges_free(edges);
}

/* --- Wheels ----------------------------------------------------------------------------- */

struct wheel_case {
    struct wheel wheel;
    double pulses_a_second; /* at 200 rpm */
    double tooth_s, gap_s;
};

/*
 * At 200 rpm, same edge to same edge (geometry: a gap of M missing teeth is M + 1 pitches, so 18
 * degrees of a 60-2 wheel; some manuals call the uncut width of 12 degrees the gap).
 */
static const struct wheel_case wheels[] = {
    {{60, 2, 0}, 193.333, 0.005000, 0.015000},
    {{36, 1, 0}, 116.667, 0.008333, 0.016667},
    {{36, 2, 0}, 113.333, 0.008333, 0.025000},
    {{24, 1, 0}, 76.667, 0.012500, 0.025000},
};

static void teeth_at_200_rpm(void **state) {
    (void)state;
    for (size_t i = 0; i < sizeof wheels / sizeof wheels[0]; i++) {
        const struct wheel_case *of = &wheels[i];
        struct sheet *sheet = sheet_new(20000.0, 0.0, 3.0, 12.0);
        size_t signal = sheet_channel(sheet, "crank", ROLE_SIGNAL, 0.0, 6.0);
        sheet_wheel(sheet, signal, 0.0, 3.0, of->wheel.places, of->wheel.missing, 200.0, 0.1, 5.0);
        struct record record = sheet_record(sheet);
        struct edges *edges = NULL;
        struct notes *notes = calloc(1, sizeof *notes);
        struct record_run run;
        assert_non_null(notes);
        assert_int_equal(edges_new(&sheet->channels[signal].scale, SENSOR_HALL, &edges), 0);
        while (record.next(record.context, &run) == 1)
            edges_push(edges, run.counts[signal], run.scans, run.time_s, run.period_s, note, notes);
        double shortest = 1.0;
        double longest = 0.0;
        double last_s = (double)NAN;
        size_t falls = 0;
        for (size_t k = 0; k < notes->count; k++) {
            if (notes->edge[k].rises)
                continue;
            falls++;
            shortest = fmin(shortest, notes->edge[k].at_s - last_s);
            longest = fmax(longest, notes->edge[k].at_s - last_s);
            last_s = notes->edge[k].at_s;
        }
        assert_near((double)falls / 3.0, of->pulses_a_second, 0.5);
        assert_near(shortest, of->tooth_s, 6e-5);
        assert_near(longest, of->gap_s, 6e-5);
        edges_free(edges);
        free(notes);
        sheet_free(sheet);
    }
}

/* --- Turning ---------------------------------------------------------------------------- */

static void turning_or_not(void **state) {
    (void)state;
    struct vehicle_sensor sensor = {.wheel = {36, 1, 0}};
    struct turning turning;
    turning_init(&turning, &sensor);
    assert_false(turning_now(&turning, 0.0));
    assert_true(isnan(turning_rate(&turning)));
    /* a burst of glitches within a millisecond is no turning */
    for (int i = 0; i < 20; i++)
        turning_edge(&turning, 1.0 + 5e-6 * i);
    assert_false(turning_now(&turning, 1.001));
    /* 200 rpm of 35 teeth: 233.3 edges a second */
    double at_s = 2.0;
    for (int i = 0; i < 300; i++) {
        at_s += i % 70 == 69 ? 0.5 * 0.025 : 0.5 * 0.008333;
        turning_edge(&turning, at_s);
    }
    assert_true(turning_now(&turning, at_s + 0.01));
    assert_near(turning.since_s, 2.0, 0.01);
    assert_near(turning_rpm(&turning), 200.0, 6.0);
    assert_int_equal(turning_speed(&turning, 450.0), SPEED_CRANKING);
    assert_int_equal(turning_speed(&turning, 150.0), SPEED_RUNNING);
    assert_false(turning_now(&turning, at_s + 1.0));
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_linear_pulse),
        cmocka_unit_test(an_rc_edge),
        cmocka_unit_test(noise_makes_no_edges),
        cmocka_unit_test(a_signal_that_stands_still),
        cmocka_unit_test(nothing_is_made_up_across_a_loss),
        cmocka_unit_test(a_falling_scale),
        cmocka_unit_test(teeth_at_200_rpm),
        cmocka_unit_test(turning_or_not),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
