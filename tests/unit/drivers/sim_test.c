// SPDX-License-Identifier: Apache-2.0
/*
 * sim_test.c - the simulated board as a driver: options, scans, time, pace, its end.
 */
#include "cmocka_helper.h"
#include "sim_night_helper.h"

#include <errno.h>
#include <math.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>
#include <time.h>

struct tally {
    uint64_t hash; /* FNV-1a over all counts, in order */
    uint64_t scans;
    size_t inputs;
    int64_t time_ns; /* -1: never noted */
};

static void hash_samples(void *context, const int32_t *counts, size_t scans) {
    struct tally *tally = context;
    tally->scans += scans;
    for (size_t i = 0; i < scans * tally->inputs; i++)
        tally->hash = (tally->hash ^ (uint64_t)counts[i]) * UINT64_C(1099511628211);
}

static void no_loss(void *context, enum board_loss reason, uint64_t scans) {
    (void)context;
    (void)reason;
    (void)scans;
    fail_msg("a simulated board loses nothing");
}

static void note_time(void *context, enum board_note note, int64_t value) {
    struct tally *tally = context;
    assert_int_equal(note, BOARD_NOTE_TIME);
    assert_true(value > tally->time_ns);
    tally->time_ns = value;
}

static int try_open(const char *options, struct tally *tally, struct board **board, char *why,
                    size_t why_size) {
    char text[256];
    struct board_setting setting[16];
    snprintf(text, sizeof text, "%s", options);
    struct board_settings settings = {.count = night_settings(text, setting, 16),
                                      .setting = setting};
    *tally = (struct tally){.hash = UINT64_C(14695981039346656037), .time_ns = -1};
    struct board_sinks sinks = {tally, hash_samples, no_loss, note_time};
    return board_driver_sim.open(&settings, &sinks, board, why, why_size);
}

static struct board *open_and_start(const char *options, struct tally *tally) {
    struct board *board = NULL;
    char why[256] = "";
    if (try_open(options, tally, &board, why, sizeof why) != 0)
        fail_msg("%s", why);
    struct board_description description;
    assert_int_equal(board_driver_sim.describe(board, &description), 0);
    tally->inputs = description.inputs;
    struct board_bytes request;
    assert_int_equal(board_driver_sim.start(board, &request), 0);
    assert_int_equal(request.count, 0);
    return board;
}

/* Runs to the end, with deadlines that go through 0 .. `deadlines` - 1 ms. */
static void run(const char *options, int deadlines, struct tally *tally) {
    struct board *board = open_and_start(options, tally);
    int result = 0;
    for (int i = 0; result >= 0; i++)
        result = board_driver_sim.fetch(board, i % deadlines);
    assert_int_equal(result, -ENODATA);
    assert_int_equal(board_driver_sim.fetch(board, 1), -ENODATA);
    board_driver_sim.close(board);
}

static void same_seed_same_samples_at_any_pace(void **state) {
    (void)state;
    const char *night = "hours=0.03 attempts=2 fault=feed-collapse fault-attempt=2 inputs=8";
    char options[256];
    struct tally freely;
    struct tally portions;
    struct tally other;
    snprintf(options, sizeof options, "%s pace=free", night);
    run(options, 100, &freely);
    snprintf(options, sizeof options, "%s pace=1000", night);
    run(options, 3, &portions);
    assert_true(freely.scans == 216000);
    assert_true(portions.scans == freely.scans);
    assert_true(portions.hash == freely.hash);
    assert_true(portions.time_ns == freely.time_ns);
    snprintf(options, sizeof options, "%s pace=free seed=2", night);
    run(options, 100, &other);
    assert_true(other.scans == freely.scans);
    assert_true(other.hash != freely.hash);
}

static void time_is_that_of_the_scans(void **state) {
    (void)state;
    struct tally tally;
    struct board *board = open_and_start("pace=free hours=0.01 rate=1500 attempts=0", &tally);
    int result = 0;
    while ((result = board_driver_sim.fetch(board, 100)) >= 0) {
        assert_true(result > 0 && result <= 150); /* 0.1 s of simulated time */
        assert_true(tally.time_ns == llround((double)tally.scans / 1500.0 * 1e9));
    }
    assert_true(tally.scans == 54000);
    assert_true(tally.time_ns == INT64_C(36000000000));
    board_driver_sim.close(board);
}

static double seconds_now(void) {
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (double)now.tv_sec + 1e-9 * (double)now.tv_nsec;
}

/* Never ahead of its pace; how far behind is up to the machine. */
static void paces_hold_scans_back(void **state) {
    (void)state;
    static const struct {
        const char *options;
        double times;
        bool real;
    } paces[] = {{"pace=real attempts=0", 1.0, true},
                 {"pace=1 hours=0 attempts=0", 1.0, false},
                 {"pace=20 attempts=0", 20.0, false},
                 {"attempts=0 rate=100", 1.0, true}};
    for (size_t i = 0; i < sizeof paces / sizeof paces[0]; i++) {
        struct tally tally;
        double began_s = seconds_now();
        struct board *board = open_and_start(paces[i].options, &tally);
        struct board_description description;
        assert_int_equal(board_driver_sim.describe(board, &description), 0);
        double wanted = description.rate_hz * paces[i].times * 0.15;
        while ((double)tally.scans < wanted) {
            assert_true(board_driver_sim.fetch(board, 50) >= 0);
            double due = (seconds_now() - began_s) * paces[i].times * description.rate_hz;
            assert_true((double)tally.scans <= due + 1.0);
        }
        assert_int_equal(tally.time_ns < 0, paces[i].real);
        board_driver_sim.close(board);
    }
}

static void nothing_due_within_the_deadline_is_no_error(void **state) {
    (void)state;
    struct tally tally;
    struct board *board = open_and_start("pace=0.01 rate=10 hours=1 attempts=0", &tally);
    assert_int_equal(board_driver_sim.fetch(board, 1), 0); /* the first is due after 10 s */
    assert_true(tally.scans == 0);
    assert_true(tally.time_ns == -1);
    board_driver_sim.close(board);
}

static void stopped_board_gives_nothing_and_goes_on_when_started(void **state) {
    (void)state;
    struct tally whole;
    struct tally halted;
    const char *options = "pace=free hours=0.01 attempts=0";
    run(options, 10, &whole);
    struct board *board = NULL;
    assert_int_equal(try_open(options, &halted, &board, NULL, 0), 0);
    halted.inputs = 6;
    assert_int_equal(board_driver_sim.fetch(board, 1), -ENODEV);
    struct board_bytes request;
    int result = 0;
    while (result >= 0) {
        assert_int_equal(board_driver_sim.start(board, &request), 0);
        for (int i = 0; i < 7 && result >= 0; i++)
            result = board_driver_sim.fetch(board, 1);
        assert_int_equal(board_driver_sim.stop(board, &request), 0);
        assert_int_equal(request.count, 0);
        assert_int_equal(board_driver_sim.fetch(board, 1), -ENODEV);
    }
    assert_int_equal(result, -ENODATA);
    assert_true(halted.hash == whole.hash);
    board_driver_sim.close(board);
    board_driver_sim.close(NULL);
}

/* Counts stretches of starter current (input 5) and when the first began. */
struct starts {
    uint64_t scans, first, last;
    unsigned count;
};

static void count_starts(void *context, const int32_t *counts, size_t scans) {
    struct starts *starts = context;
    for (size_t i = 0; i < scans; i++, starts->scans++) {
        if (counts[i * 6 + 5] < 640 + 100) /* 100 counts of 1.6 mV are 32 A */
            continue;
        if (starts->count == 0 || starts->scans > starts->last + 100) {
            starts->count++;
            if (starts->count == 1)
                starts->first = starts->scans;
        }
        starts->last = starts->scans;
    }
}

static void ignore_note(void *context, enum board_note note, int64_t value) {
    (void)context;
    (void)note;
    (void)value;
}

static void endless_night_has_its_attempts_in_every_hour(void **state) {
    (void)state;
    struct board_setting setting[] = {
        {"pace", "100000"}, {"hours", "0"}, {"rate", "20"}, {"attempts", "12"}};
    struct board_settings settings = {.count = 4, .setting = setting};
    struct starts starts = {0};
    struct board_sinks sinks = {&starts, count_starts, no_loss, ignore_note};
    struct board *board = NULL;
    struct board_bytes request;
    assert_int_equal(board_driver_sim.open(&settings, &sinks, &board, NULL, 0), 0);
    assert_int_equal(board_driver_sim.start(board, &request), 0);
    const uint64_t hour = 20 * 3600;
    for (unsigned hours = 1; hours <= 3; hours++) {
        while (starts.scans < hours * hour)
            assert_true(board_driver_sim.fetch(board, 100) >= 0);
        assert_int_equal(starts.count, 12 * hours);
    }
    assert_true(starts.first < 20 * 30); /* nobody waits longer than half a minute for the first */
    board_driver_sim.close(board);
}

static void describes_itself(void **state) {
    (void)state;
    struct tally tally;
    struct board *board = open_and_start("inputs=7 bits=10 rate=500 skew=0.0001", &tally);
    struct board_description description;
    assert_int_equal(board_driver_sim.describe(board, &description), 0);
    assert_int_equal(description.inputs, 7);
    assert_string_equal(description.identity, "simulated parcel van");
    assert_true(description.rate_hz == 500.0);
    assert_true(description.skew_s == 0.0001);
    assert_true(description.dead_time_s == 0.0);
    for (size_t input = 0; input < 7; input++) {
        assert_int_equal(description.bits[input], 10);
        assert_int_equal(description.rail_low[input], 0);
        assert_int_equal(description.rail_high[input], 1023);
        double lowest = -description.zero_counts[input] * description.volts_per_count[input];
        double highest = lowest + 1023.0 * description.volts_per_count[input];
        assert_true(lowest < -0.9 && highest > 5.4); /* a return below 0 V, a feed above 5.25 V */
    }
    board_driver_sim.close(board);
}

static void wrong_options_are_refused_with_a_reason(void **state) {
    (void)state;
    static const struct {
        const char *options;
        const char *told[2];
    } wrong[] = {
        {"fault=feed-collapse fault-attempt=12", {"fault-attempt = 12", "11 attempts"}},
        {"fault=feed-collapse attempts=0", {"fault = feed-collapse", "attempts = 0"}},
        {"fault=ghost", {"fault = ghost", "feed-collapse"}},
        {"pace=fast", {"pace = fast", "real, free"}},
        {"pace=0", {"pace = 0", "0.01"}},
        {"pace=nan", {"pace = nan", "number"}},
        {"pace=free hours=0", {"hours = 0", "end"}},
        {"hours=0.1", {"attempts = 11", "room for 8"}},
        {"begins=2026-03-17T22:30:00", {"begins", "real time"}},
        {"pace=free begins=yesterday", {"begins = yesterday", "2026-"}},
        {"pace=free begins=2026-13-17T22:30:00", {"begins", "2026-"}},
        {"wheel=learn", {"wheel = learn", "36-1"}},
        {"inputs=9", {"inputs = 9", "1 to 8"}},
        {"inputs=2.5", {"inputs = 2.5", "whole"}},
        {"rate=1e9", {"rate = 1e9", "200000"}},
        {"rate=nan", {"rate = nan", "number"}},
        {"rate=2k", {"rate = 2k", "number"}},
        {"bits=24", {"bits = 24", "8 to 16"}},
        {"skew=0.0002", {"skew = 0.0002", "6 inputs"}},
        {"cylinders=0", {"cylinders = 0", "1 to 12"}},
        {"seed=-1", {"seed = -1", "number"}},
    };
    for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++) {
        struct tally tally;
        struct board *const untouched = (struct board *)&tally;
        struct board *board = untouched;
        char why[256] = "";
        assert_int_equal(try_open(wrong[i].options, &tally, &board, why, sizeof why), -EINVAL);
        assert_ptr_equal(board, untouched);
        for (size_t k = 0; k < 2; k++) {
            if (!strstr(why, wrong[i].told[k]))
                fail_msg("\"%s\" got \"%s\", without \"%s\"", wrong[i].options, why,
                         wrong[i].told[k]);
        }
        assert_int_equal(try_open(wrong[i].options, &tally, &board, NULL, 0), -EINVAL);
        char small[8] = "zzzzzzz";
        assert_int_equal(try_open(wrong[i].options, &tally, &board, small, 4), -EINVAL);
        assert_int_equal(strlen(small), 3);
        assert_int_equal(small[5], 'z');
    }
}

static void right_dates_are_taken(void **state) {
    (void)state;
    static const char *const right[] = {"2026-03-17T22:30", "2026-03-17T22:30:00",
                                        "2026-03-17T22:30:00Z", "2026-03-17T22:30:00+01:00"};
    for (size_t i = 0; i < sizeof right / sizeof right[0]; i++) {
        char options[64];
        snprintf(options, sizeof options, "pace=free begins=%s", right[i]);
        struct tally tally;
        board_driver_sim.close(open_and_start(options, &tally));
    }
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(same_seed_same_samples_at_any_pace),
        cmocka_unit_test(time_is_that_of_the_scans),
        cmocka_unit_test(paces_hold_scans_back),
        cmocka_unit_test(nothing_due_within_the_deadline_is_no_error),
        cmocka_unit_test(stopped_board_gives_nothing_and_goes_on_when_started),
        cmocka_unit_test(endless_night_has_its_attempts_in_every_hour),
        cmocka_unit_test(describes_itself),
        cmocka_unit_test(wrong_options_are_refused_with_a_reason),
        cmocka_unit_test(right_dates_are_taken),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
