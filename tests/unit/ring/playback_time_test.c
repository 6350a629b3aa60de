// SPDX-License-Identifier: Apache-2.0
/*
 * playback_time_test.c - where in time the samples are: clocks that run a little wrong, that are
 * set again, that are missing; boots; forged clocks.
 */
#include "film_helper.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static struct record_run next_run(const struct record *record) {
    struct record_run run;
    assert_int_equal(record->next(record->context, &run), 1);
    return run;
}

/* Boards never keep exactly to their claim: 1000 scans/s is 998.7, 200 is 200.31. */
static void true_rates_place_the_scans(void **state) {
    (void)state;
    static const double rates[] = {998.7, 200.31};
    struct film film = new_film();
    next_file(&film);
    add(&film, recording_clock(0, 1, 0, 20 * RECORDING_S, 0, rates[0], 1));
    add(&film, recording_clock(1, 1, 0, 20 * RECORDING_S + 1234567, 0, rates[1], 1));
    for (uint64_t second = 0; second < 300; second++)
        add_second(&film, 1, second);
    const struct record *record = play(&film);
    uint64_t met[2] = {0, 0};
    double last_s = 0;
    for (size_t runs = 0; runs < 600; runs++) {
        struct record_run run = next_run(record);
        double expected_s =
            (run.stream ? 0.001234567 : 0) + (double)met[run.stream] / rates[run.stream];
        assert_near(run.time_s, expected_s, 2e-9);
        assert_near(run.period_s, 1 / rates[run.stream], 1e-11);
        recording_check_run(&run, 1, met[run.stream]);
        met[run.stream] += run.scans;
        assert_true(run.time_s >= last_s); /* merged by time, though the streams drift apart */
        last_s = run.time_s;
    }
    assert_near(record->to_s, 300000 / rates[0], 1e-8);
    /* Each clock is right within a microsecond: two of them within its root of two. */
    assert_near(playback_apart_s(film.playback), 1.41421356e-6, 1e-13);
    end_film(&film);
}

static void time_runs_straight_from_clock_to_clock(void **state) {
    (void)state;
    struct film film = new_film();
    next_file(&film);
    /* The first rate was a guess; the second clock corrects it; after the last its rate holds. */
    add(&film, recording_clock(0, 1, 0, 0, 0, 900, 1));
    for (uint64_t second = 0; second < 4; second++)
        add(&film, recording_block(0, 1, second * 1000, 1000));
    add(&film, recording_clock(0, 1, 2500, 2600 * RECORDING_MS, 0, 1000, 1));
    const struct record *record = play(&film);
    double first_slope = 2.6 / 2500;
    struct record_run run = next_run(record);
    assert_near(run.time_s, 0, 1e-9);
    assert_near(run.period_s, first_slope, 1e-12);
    run = next_run(record);
    assert_near(run.time_s, 1000 * first_slope, 1e-9);
    run = next_run(record); /* the clock's scan is in its middle: it ends where the next begins */
    assert_near(run.time_s, 2000 * first_slope, 1e-9);
    double end_s = run.time_s + (double)run.scans * run.period_s;
    run = next_run(record);
    assert_near(run.time_s, end_s, 1e-9);
    assert_near(run.time_s, 2.6 + 0.5, 1e-9);
    assert_near(run.period_s, 0.001, 1e-12);
    end_film(&film);
}

/* A segment that begins mid-epoch repeats an old clock; scans before a clock go by its rate. */
static void scans_before_the_first_clock(void **state) {
    (void)state;
    struct film film = new_film();
    next_file(&film);
    add(&film, recording_clock(0, 1, 5000, 105 * RECORDING_S, 0, 1000, 1));
    for (uint64_t second = 3; second < 7; second++)
        add(&film, recording_block(0, 1, second * 1000, 1000));
    play(&film);
    assert_int_equal(playback_elapsed_ns(film.playback), 103 * RECORDING_S);
    end_film(&film);
}

static void without_any_clock_the_blocks_own_times_serve(void **state) {
    (void)state;
    struct film film = new_film();
    next_file(&film);
    for (uint64_t second = 0; second < 3; second++) {
        struct chunk chunk = recording_block(0, 1, second * 1000, 1000);
        chunk.from_ns = (int64_t)(7 + second) * RECORDING_S;
        chunk.to_ns = (int64_t)(8 + second) * RECORDING_S;
        add(&film, chunk);
    }
    const struct record *record = play(&film);
    assert_int_equal(playback_elapsed_ns(film.playback), 7 * RECORDING_S);
    assert_int_equal(playback_wall_ns(film.playback), 0); /* nobody told it */
    for (int second = 0; second < 3; second++) {
        struct record_run run = next_run(record);
        assert_near(run.time_s, second, 1e-9);
        assert_near(run.period_s, 0.001, 1e-12);
    }
    end_film(&film);
}

/* Within its error a clock may put an epoch's begin before the end of the one before it. */
static void epochs_never_overlap(void **state) {
    (void)state;
    struct film film = new_film();
    next_file(&film);
    add(&film, recording_clock(0, 1, 0, 0, 0, 1000, 1));
    add(&film, recording_block(0, 1, 0, 1000));
    add(&film, recording_clock(0, 2, 0, 990 * RECORDING_MS, 0, 1000, 1));
    add(&film, recording_block(0, 2, 0, 1000));
    add(&film, recording_clock(0, 3, 0, 5 * RECORDING_S, 0, 1000, 1));
    add(&film, recording_block(0, 3, 0, 1000));
    const struct record *record = play(&film);
    assert_near(next_run(record).time_s, 0, 1e-9);
    assert_near(next_run(record).time_s, 1, 1e-9);
    assert_near(next_run(record).time_s, 5, 1e-9);
    end_film(&film);
}

/* ---- boots ---- */

static void add_boot(struct film *film, uint32_t epoch, uint8_t boot, int64_t elapsed_s,
                     int64_t wall_s) {
    add(film,
        recording_clock(0, epoch, 0, elapsed_s * RECORDING_S, wall_s * RECORDING_S, 1000, boot));
    add(film, recording_block(0, epoch, 0, 1000));
    add(film, recording_mark("{}", elapsed_s * RECORDING_S + RECORDING_S / 2));
}

#define DAWN 1900000000 /* a wall time, s */

static void other_boots_are_placed_by_wall_time(void **state) {
    (void)state;
    struct film film = new_film();
    next_file(&film);
    add_boot(&film, 1, 1, 5000, DAWN); /* had been up for long */
    next_file(&film);
    add_boot(&film, 2, 2, 30, DAWN + 100); /* fell over with the starter, came up again */
    const struct record *record = play(&film);
    /* Elapsed counts by the newest boot: its 30 s are DAWN + 100 s. */
    assert_int_equal(playback_elapsed_ns(film.playback), -70 * RECORDING_S);
    assert_true(playback_wall_ns(film.playback) == DAWN * RECORDING_S);
    assert_near(next_run(record).time_s, 0, 1e-9);
    struct record_run run = next_run(record);
    assert_near(run.time_s, 100, 1e-9);
    assert_true(run.after_loss);
    const struct record_loss *loss;
    assert_int_equal(record->losses(record->context, &loss), 1);
    assert_near(loss->from_s, 1, 1e-9);
    assert_near(loss->to_s, 100, 1e-9);
    assert_true(loss->scans == RECORD_LOSS_UNKNOWN);
    const struct playback_mark *marks;
    assert_int_equal(playback_marks(film.playback, &marks), 2);
    assert_near(marks[0].at_s, 0.5, 1e-9);
    assert_near(marks[1].at_s, 100.5, 1e-9);
    end_film(&film);
}

/* A small computer wakes up in 1970, or yesterday: the order is known all the same. */
static void a_wrong_date_does_not_turn_time_round(void **state) {
    (void)state;
    static const int64_t walls[] = {0, DAWN - 3600, DAWN};
    for (size_t i = 0; i < 3; i++) {
        struct film film = new_film();
        next_file(&film);
        add_boot(&film, 1, 1, 5000, DAWN);
        add_boot(&film, 2, 2, 30, walls[i]);
        const struct record *record = play(&film);
        struct record_run first = next_run(record);
        struct record_run second = next_run(record);
        assert_near(first.time_s, 0, 1e-9);
        recording_check_run(&second, 2, 0);
        assert_near(second.time_s, 2, 1e-9); /* one second after it, for want of better */
        end_film(&film);
    }
}

static void a_date_set_right_later_counts(void **state) {
    (void)state;
    struct film film = new_film();
    next_file(&film);
    add(&film, recording_clock(0, 1, 0, 10 * RECORDING_S, 10 * RECORDING_S, 1000, 1)); /* 1970 */
    add(&film, recording_block(0, 1, 0, 1000));
    add(&film, recording_clock(0, 1, 60000, 70 * RECORDING_S, (DAWN + 70) * RECORDING_S, 1000, 1));
    add(&film, recording_block(0, 1, 60000, 1000));
    play(&film);
    assert_true(playback_wall_ns(film.playback) == (DAWN + 10) * RECORDING_S);
    end_film(&film);
}

/* ---- forged clocks ---- */

static void forged_clocks_do_no_harm(void **state) {
    (void)state;
    static const double rates[] = {
        0, -1000, (double)NAN, (double)INFINITY, 4.9e-324, 1e-300, 1e308, 1e-9, 1e18, 1000};
    static const int64_t times[] = {INT64_MIN, INT64_MAX, 0, -1, INT64_MAX / 2, RECORDING_S};
    static const uint64_t scans[] = {0, 1, UINT64_MAX, UINT64_C(1) << 62, 1500};
    unsigned seed = 4711;
    for (int round = 0; round < 200; round++) {
        struct film film = new_film();
        next_file(&film);
        for (int i = 0; i < 6; i++) {
            unsigned dice = (unsigned)rand_r(&seed);
            add(&film, recording_clock((uint16_t)(dice % 2), dice / 2 % 2, scans[dice / 8 % 5],
                                       times[dice / 64 % 6], times[dice / 512 % 6],
                                       rates[dice / 4096 % 10], (uint8_t)(dice / 65536 % 3)));
        }
        for (uint32_t epoch = 0; epoch < 2; epoch++) {
            struct chunk chunk = recording_block(0, epoch, scans[rand_r(&seed) % 5] % 100000, 100);
            chunk.from_ns = times[rand_r(&seed) % 6];
            chunk.to_ns = times[rand_r(&seed) % 6];
            add(&film, chunk);
            add(&film,
                recording_loss(1, epoch, scans[rand_r(&seed) % 5], scans[rand_r(&seed) % 5], "x"));
        }
        add(&film, recording_block(1, 1, 0, 100));
        const struct record *record = play(&film);
        struct record_run run;
        size_t runs = 0;
        double last_s = -(double)INFINITY;
        while (record->next(record->context, &run) == 1) {
            assert_true(isfinite(run.time_s) && isfinite(run.period_s) && run.period_s > 0);
            assert_true(run.time_s >= last_s);
            last_s = run.time_s;
            runs++;
        }
        assert_int_equal(runs, 3); /* no sample goes for a clock's sake */
        const struct record_loss *loss;
        size_t count = record->losses(record->context, &loss);
        for (size_t i = 0; i < count; i++)
            assert_true(loss[i].to_s >= loss[i].from_s);
        playback_narrow(film.playback, times[rand_r(&seed) % 6], times[rand_r(&seed) % 6]);
        while (record->next(record->context, &run) == 1)
            assert_true(run.scans > 0);
        end_film(&film);
    }
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(true_rates_place_the_scans),
        cmocka_unit_test(time_runs_straight_from_clock_to_clock),
        cmocka_unit_test(scans_before_the_first_clock),
        cmocka_unit_test(without_any_clock_the_blocks_own_times_serve),
        cmocka_unit_test(epochs_never_overlap),
        cmocka_unit_test(other_boots_are_placed_by_wall_time),
        cmocka_unit_test(a_wrong_date_does_not_turn_time_round),
        cmocka_unit_test(a_date_set_right_later_counts),
        cmocka_unit_test(forged_clocks_do_no_harm),
    };
    return cmocka_run_group_tests_name("playback_time", tests, NULL, NULL);
}
