// SPDX-License-Identifier: Apache-2.0
/*
 * rotation_test.c - who tells that the engine turns, over breaks and at rest; speeds by geometry
 * and of real engines (SOURCES.md of the recordings; they hold no battery and no current).
 */
#include "rotation.h"

#include "cmocka_helper.h"
#include "recording_helper.h"
#include "sheet_helper.h"

#include <math.h>
#include <stdlib.h>

#define MOST 8192

struct pulses_drawn {
    size_t count;
    struct pulse list[MOST];
};

static void add_pulse(struct pulses_drawn *drawn, double at_s) {
    assert_true(drawn->count < MOST);
    drawn->list[drawn->count] = (struct pulse){at_s, drawn->count % 2 == 0, false};
    drawn->count++;
}

/* A wheel of `places` with `missing`, both edges of each tooth, at a steady speed. */
static void draw_wheel(struct pulses_drawn *drawn, double from_s, double to_s, unsigned places,
                       unsigned missing, double rpm) {
    double pitch_s = 60.0 / rpm / places;
    for (unsigned i = 0; from_s + i * pitch_s < to_s; i++) {
        if (i % places >= places - missing)
            continue;
        add_pulse(drawn, from_s + i * pitch_s);
        add_pulse(drawn, from_s + (i + 0.5) * pitch_s);
    }
}

/* The pulses of [from_s, to_s) do not come. */
static void cut(struct pulses_drawn *drawn, double from_s, double to_s) {
    size_t kept = 0;
    for (size_t i = 0; i < drawn->count; i++)
        if (drawn->list[i].at_s < from_s || drawn->list[i].at_s >= to_s)
            drawn->list[kept++] = drawn->list[i];
    drawn->count = kept;
}

/* All changes of a recording's column. */
static void draw_recording(struct pulses_drawn *drawn, const char *file, size_t column) {
    struct recording recording;
    recording_read(file, column, &recording);
    for (size_t i = 1; i < recording.rows; i++)
        if (recording.values[i] != recording.values[i - 1])
            add_pulse(drawn, recording.times[i]);
    recording_free(&recording);
}

static struct rotation *of_sensor(const struct pulses_drawn *drawn, size_t turn_pulses,
                                  double crank_turns) {
    const struct rotation_sensor sensor = {3, drawn->list, drawn->count, turn_pulses, crank_turns};
    const struct rotation_evidence evidence = {
        .from_s = -1.0,
        .to_s = 12.0,
        .cylinders = 4,
        .sensors = &sensor,
        .sensor_count = 1,
    };
    struct rotation *rotation = NULL;
    assert_int_equal(rotation_new(&evidence, &rotation), 0);
    return rotation;
}

static void assert_at(const struct rotation *rotation, double at_s, enum rotation_state state,
                      enum rotation_source source) {
    struct rotation_stretch stretch = rotation_at(rotation, at_s);
    if (stretch.state != state || stretch.source != source)
        fail_msg("at %g s: state %d by %d, not %d by %d", at_s, stretch.state, stretch.source,
                 state, source);
}

static struct pulses_drawn *drawn_new(void) {
    struct pulses_drawn *drawn = calloc(1, sizeof *drawn);
    assert_non_null(drawn);
    return drawn;
}

/* --- Edges ------------------------------------------------------------------------------ */

/* 60-2 at 200 rpm: 200 rpm is told, and nothing is told of the time before and behind. */
static void edges_turn(void **state) {
    (void)state;
    struct pulses_drawn *drawn = drawn_new();
    draw_wheel(drawn, 2.0, 6.0, 60, 2, 200.0);
    struct rotation *rotation = of_sensor(drawn, 116, 1.0);
    struct rotation_speed speed;
    assert_at(rotation, 1.9, ROTATION_UNKNOWN, ROTATION_BY_NOTHING);
    assert_at(rotation, 2.1, ROTATION_TURNING, ROTATION_BY_EDGES);
    assert_at(rotation, 5.9, ROTATION_TURNING, ROTATION_BY_EDGES);
    assert_at(rotation, 6.1, ROTATION_UNKNOWN, ROTATION_BY_NOTHING);
    assert_true(rotation_speed(rotation, 2.0, 6.0, &speed));
    assert_near(speed.rpm, 200.0, 1e-6);
    assert_near(speed.low, 200.0, 1e-6);
    assert_near(speed.high, 200.0, 1e-6);
    assert_int_equal(speed.channel, 3);
    assert_true(rotation_speed_at(rotation, 4.0, &speed));
    assert_near(speed.rpm, 200.0, 1e-6);
    assert_true(rotation_speed_at(rotation, 2.01, &speed));
    assert_false(rotation_speed(rotation, 6.1, 9.0, &speed));
    assert_false(rotation_speed_at(rotation, 8.0, &speed));
    rotation_free(rotation);
    free(drawn);
}

static void a_burst_is_no_turning(void **state) {
    (void)state;
    struct pulses_drawn *drawn = drawn_new();
    for (int i = 0; i < 12; i++)
        add_pulse(drawn, 3.0 + 5e-6 * i);
    struct rotation *rotation = of_sensor(drawn, 116, 1.0);
    size_t count;
    const struct rotation_stretch *stretches = rotation_stretches(rotation, &count);
    assert_int_equal(count, 1);
    assert_int_equal(stretches[0].state, ROTATION_UNKNOWN);
    assert_near(stretches[0].from_s, -1.0, 0.0);
    assert_near(stretches[0].to_s, 12.0, 0.0);
    rotation_free(rotation);
    free(drawn);
}

/* --- Inertia ---------------------------------------------------------------------------- */

struct break_case {
    double rpm, from_s, to_s;
    enum rotation_state state;
};

/* 200 rpm is 0.3 s a turn: within two turns the engine cannot have stopped and started again. */
static void short_breaks_are_spanned(void **state) {
    (void)state;
    static const struct break_case cases[] = {
        {200.0, 4.0, 4.3, ROTATION_TURNING},  {200.0, 4.0, 4.55, ROTATION_TURNING},
        {200.0, 4.0, 4.7, ROTATION_UNKNOWN},  {80.0, 4.0, 5.0, ROTATION_UNKNOWN},
        {400.0, 4.0, 4.25, ROTATION_TURNING}, {400.0, 4.0, 4.5, ROTATION_UNKNOWN},
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        struct pulses_drawn *drawn = drawn_new();
        draw_wheel(drawn, 2.0, 7.0, 36, 1, cases[i].rpm);
        cut(drawn, cases[i].from_s, cases[i].to_s);
        struct rotation *rotation = of_sensor(drawn, 70, 1.0);
        bool turning = cases[i].state == ROTATION_TURNING;
        assert_at(rotation, (cases[i].from_s + cases[i].to_s) / 2.0, cases[i].state,
                  turning ? ROTATION_BY_INERTIA : ROTATION_BY_NOTHING);
        assert_at(rotation, 3.5, ROTATION_TURNING, ROTATION_BY_EDGES);
        assert_at(rotation, 6.5, ROTATION_TURNING, ROTATION_BY_EDGES);
        rotation_free(rotation);
        free(drawn);
    }
}

/* A coarse wheel: four places, so that a quarter of a pitch off is another start. */
static void breaks_end_in_phase(void **state) {
    (void)state;
    for (int off = 0; off < 2; off++) {
        struct pulses_drawn *drawn = drawn_new();
        double pitch_s = 60.0 / 150.0 / 4.0; /* 0.1 s; edges every 0.05 s */
        draw_wheel(drawn, 1.0, 4.0, 4, 0, 150.0);
        draw_wheel(drawn, 4.0 + 3.0 * pitch_s + (off ? pitch_s / 4.0 : 0.0), 7.0, 4, 0, 150.0);
        struct rotation *rotation = of_sensor(drawn, 8, 1.0);
        assert_at(rotation, 4.1, off ? ROTATION_UNKNOWN : ROTATION_TURNING,
                  off ? ROTATION_BY_NOTHING : ROTATION_BY_INERTIA);
        rotation_free(rotation);
        free(drawn);
    }
}

/* Edges that resume at a third of the speed are another start. */
static void breaks_end_at_the_old_rate(void **state) {
    (void)state;
    struct pulses_drawn *drawn = drawn_new();
    draw_wheel(drawn, 1.0, 4.0, 36, 1, 240.0);
    draw_wheel(drawn, 4.3, 7.0, 36, 1, 80.0);
    struct rotation *rotation = of_sensor(drawn, 70, 1.0);
    assert_at(rotation, 4.15, ROTATION_UNKNOWN, ROTATION_BY_NOTHING);
    rotation_free(rotation);
    free(drawn);
}

/* --- Several sources -------------------------------------------------------------------- */

static struct ripple_estimate ripple_of(double from_s, double to_s, double hertz) {
    struct ripple_estimate estimate = {.answer = RIPPLE_SEEN, .from_s = from_s, .to_s = to_s};
    for (double at_s = from_s; at_s + 2.0 <= to_s; at_s += 0.5)
        estimate.pieces[estimate.piece_count++] = (struct ripple_piece){at_s, at_s + 2.0, hertz};
    estimate.hertz = hertz;
    return estimate;
}

/* Edges come before ripple, ripple before the word of the current; nothing proves nothing. */
static void one_takes_over_from_the_other(void **state) {
    (void)state;
    struct pulses_drawn *drawn = drawn_new();
    draw_wheel(drawn, 2.0, 4.0, 60, 2, 200.0);
    const struct rotation_sensor sensor = {3, drawn->list, drawn->count, 116, 1.0};
    const struct ripple_beat beats[] = {{1.2, 1.6}, {1.6, 1.85}};
    const struct rotation_ripple ripple = {
        .channel = 1,
        .estimate = ripple_of(1.8, 8.0, 220.0 * 4.0 / 120.0),
        .beats = beats,
        .beat_count = 2,
    };
    const struct rotation_still stills[] = {
        {5.0, 6.0, ROTATION_BY_CURRENT, 2},
        {9.0, 10.0, ROTATION_BY_REQUEST, 4},
    };
    const struct rotation_evidence evidence = {0.0, 12.0, 4, &sensor, 1, &ripple, 1, stills, 2};
    struct rotation *rotation = NULL;
    struct rotation_speed speed;
    assert_int_equal(rotation_new(&evidence, &rotation), 0);
    assert_at(rotation, 1.0, ROTATION_UNKNOWN, ROTATION_BY_NOTHING);
    assert_at(rotation, 1.3, ROTATION_TURNING, ROTATION_BY_RIPPLE);
    assert_at(rotation, 3.0, ROTATION_TURNING, ROTATION_BY_EDGES);
    assert_at(rotation, 5.5, ROTATION_TURNING, ROTATION_BY_RIPPLE);
    assert_at(rotation, 8.5, ROTATION_UNKNOWN, ROTATION_BY_NOTHING);
    assert_at(rotation, 9.5, ROTATION_NOT_TURNING, ROTATION_BY_REQUEST);
    assert_int_equal(rotation_at(rotation, 9.5).channel, 4);
    assert_true(rotation_speed_at(rotation, 3.0, &speed));
    assert_near(speed.rpm, 200.0, 1e-6);
    assert_true(rotation_speed_at(rotation, 6.0, &speed)); /* rpm = 120 f / cylinders */
    assert_near(speed.rpm, 220.0, 1e-6);
    assert_int_equal(speed.source, ROTATION_BY_RIPPLE);
    assert_true(rotation_speed_at(rotation, 1.4, &speed)); /* one compression in 0.4 s */
    assert_near(speed.rpm, 120.0 * 2.5 / 4.0, 1e-6);
    assert_true(rotation_speed(rotation, 5.0, 8.0, &speed));
    assert_near(speed.rpm, 220.0, 1e-6);
    size_t count;
    const struct rotation_stretch *stretches = rotation_stretches(rotation, &count);
    for (size_t i = 1; i < count; i++)
        assert_near(stretches[i].from_s, stretches[i - 1].to_s, 0.0);
    rotation_free(rotation);
    free(drawn);
}

/* Crank speed by edges, ripple of six cylinders: six, whatever the hookup says. */
static void a_wrong_number_of_cylinders(void **state) {
    (void)state;
    for (unsigned cylinders = 3; cylinders <= 8; cylinders++) {
        struct pulses_drawn *drawn = drawn_new();
        draw_wheel(drawn, 0.0, 6.0, 36, 1, 180.0);
        const struct rotation_sensor sensor = {3, drawn->list, drawn->count, 70, 1.0};
        struct rotation_ripple ripple = {
            .channel = 1,
            .estimate = ripple_of(0.5, 5.5, 180.0 * cylinders / 120.0 * 1.01),
        };
        const struct rotation_evidence evidence = {0.0, 6.0, 4, &sensor, 1, &ripple, 1, NULL, 0};
        struct rotation *rotation = NULL;
        assert_int_equal(rotation_new(&evidence, &rotation), 0);
        assert_int_equal(rotation_cylinders(rotation), cylinders);
        rotation_free(rotation);
        ripple.estimate = ripple_of(0.5, 5.5, 180.0 * (cylinders + 0.5) / 120.0);
        assert_int_equal(rotation_new(&evidence, &rotation), 0);
        assert_int_equal(rotation_cylinders(rotation), 0);
        rotation_free(rotation);
        free(drawn);
    }
}

/* --- The starter's current -------------------------------------------------------------- */

/* Held: it stays what it was in the surge. Turning: it falls to a third of it, with ripple or not.
 */
static void a_held_starter(void **state) {
    (void)state;
    static const double held_at[] = {600.0, 600.0, 180.0, 40.0};
    static const double ripple_peak[] = {5.0, 90.0, 2.0, 0.0};
    static const bool locked[] = {true, false, false, false};
    for (int i = 0; i < 4; i++) {
        struct sheet *sheet = sheet_new(2000.0, 0.0, 4.0, 12.0);
        size_t channel = sheet_channel(sheet, "starter", ROLE_STARTER_CURRENT, -100.0, 900.0);
        sheet->noise[channel] = 2.0;
        sheet_ramp(sheet, channel, 1.0, 1.15, held_at[i] > 50.0 ? 640.0 : 42.0, held_at[i]);
        sheet_hold(sheet, channel, 1.15, 3.0, held_at[i]);
        sheet_add_sine(sheet, channel, 1.2, 3.0, ripple_peak[i], 6.0);
        const struct window window = {.vehicle = &sheet->vehicle, .to_s = 10.0};
        struct record record = sheet_record(sheet);
        struct record_run run;
        struct ripple *ripple = NULL;
        struct rotation_still still = {0};
        assert_int_equal(ripple_new(&window, channel, 0.0, 4.0, &ripple), 0);
        record.seek(record.context, 0.0);
        while (record.next(record.context, &run) > 0)
            assert_int_equal(ripple_push(ripple, &run), 0);
        assert_int_equal(rotation_locked(ripple, 1.0, 3.0, 50.0, &still), locked[i]);
        assert_false(rotation_locked(ripple, 1.0, 1.6, 50.0, &still)); /* too short to tell */
        if (locked[i])
            assert_near(still.from_s, 1.2, 1e-9);
        ripple_free(ripple);
        sheet_free(sheet);
    }
}

/* --- Real engines ----------------------------------------------------------------------- */

struct real_engine {
    const char *file;
    size_t column, turn_pulses;
    double from_s, to_s; /* of the cranking or running */
    double slowest, fastest;
};

/* SOURCES.md: 152 to 218 rpm without a catch; dead steady 188 to 190 rpm; running 1401 to 1438. */
static void speeds_of_real_engines(void **state) {
    (void)state;
    static const struct real_engine engines[] = {
        {"edges-2-teeth-cam-no-start.csv", 1, 4, 0.0, 9.0, 152.0, 218.0},
        {"edges-plugs-out-steady.csv", 1, 26, 2.0, 3.0, 188.0, 190.0},
        {"edges-running.csv", 1, 66, 0.0, 2.0, 1401.0, 1438.0},
    };
    for (size_t i = 0; i < sizeof engines / sizeof *engines; i++) {
        const struct real_engine *engine = &engines[i];
        struct pulses_drawn *drawn = drawn_new();
        draw_recording(drawn, engine->file, engine->column);
        struct rotation *rotation = of_sensor(drawn, engine->turn_pulses, 1.0);
        struct rotation_speed speed;
        assert_true(rotation_speed(rotation, engine->from_s, engine->to_s, &speed));
        assert_near(speed.low, engine->slowest,
                    3.0); /* there from gap to gap, here from any edge */
        assert_near(speed.high, engine->fastest, 3.0);
        rotation_free(rotation);
        free(drawn);
    }
}

/* Pulses taken out of a real cranking: less than two turns are spanned, two seconds are not. */
static void breaks_in_a_real_cranking(void **state) {
    (void)state;
    static const double lengths_s[] = {0.45, 2.0};
    for (int i = 0; i < 2; i++) {
        struct pulses_drawn *drawn = drawn_new();
        draw_recording(drawn, "edges-2-teeth-cam-no-start.csv", 1);
        double middle_s = (drawn->list[0].at_s + drawn->list[drawn->count - 1].at_s) / 2.0;
        cut(drawn, middle_s - lengths_s[i] / 2.0, middle_s + lengths_s[i] / 2.0);
        struct rotation *rotation = of_sensor(drawn, 4, 1.0);
        assert_at(rotation, middle_s, i == 0 ? ROTATION_TURNING : ROTATION_UNKNOWN,
                  i == 0 ? ROTATION_BY_INERTIA : ROTATION_BY_NOTHING);
        assert_at(rotation, middle_s - 2.0, ROTATION_TURNING, ROTATION_BY_EDGES);
        rotation_free(rotation);
        free(drawn);
    }
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(edges_turn),
        cmocka_unit_test(a_burst_is_no_turning),
        cmocka_unit_test(short_breaks_are_spanned),
        cmocka_unit_test(breaks_end_in_phase),
        cmocka_unit_test(breaks_end_at_the_old_rate),
        cmocka_unit_test(one_takes_over_from_the_other),
        cmocka_unit_test(a_wrong_number_of_cylinders),
        cmocka_unit_test(a_held_starter),
        cmocka_unit_test(speeds_of_real_engines),
        cmocka_unit_test(breaks_in_a_real_cranking),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
