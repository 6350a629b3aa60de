// SPDX-License-Identifier: Apache-2.0
/*
 * measuring_test.c - a known voltage that is read wrong, a pull-up that is loaded.
 */
#include "measuring.h"

#include "cmocka_helper.h"

#include <math.h>
#include <string.h>

static const struct hookup_board board = {.name = "logger"};

struct case_of_reference {
    double key_on, cranking, tolerance;
    const char *words; /* NULL: nothing is said */
};

static void a_known_voltage(void **state) {
    (void)state;
    static const struct case_of_reference cases[] = {
        {5.003, 5.004, (double)NAN, NULL},
        {5.003, 5.15, (double)NAN, "read 5.150 V while the starter turned"},
        {5.003, 5.15, (double)NAN, "every level of board logger may be 3.0 % too high"},
        {4.90, 4.95, (double)NAN, "2.0 % too low"},
        {5.003, 5.15, 0.2, NULL},
        {5.003, 5.03, 0.01, "0.6 % too high"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct vehicle_channel channel = {.name = "known",
                                          .role = ROLE_REFERENCE,
                                          .nominal = 5.0,
                                          .tolerance = cases[i].tolerance};
        struct hookup hookup = {.vehicle = {.channel_count = 1, .channels = &channel},
                                .board_count = 1,
                                .boards = &board};
        struct analysis_level levels[] = {
            {.channel = 0, .phase = PHASE_KEY_ON, .average = cases[i].key_on},
            {.channel = 1, .phase = PHASE_CRANKING, .average = 99.0}, /* another's */
            {.channel = 0, .phase = PHASE_RUNNING, .average = (double)NAN},
            {.channel = 0, .phase = PHASE_CRANKING, .average = cases[i].cranking}};
        struct analysis analysis = {.level_count = 4, .levels = levels};
        struct measuring_note note = {.text = ""};
        assert_int_equal(measuring_reference(&hookup, &analysis, 0, &note), cases[i].words != NULL);
        if (cases[i].words && !strstr(note.text, cases[i].words))
            fail_msg("\"%s\" has no \"%s\"", note.text, cases[i].words);
        channel.role = ROLE_FEED;
        assert_false(measuring_reference(&hookup, &analysis, 0, &note));
        channel.role = ROLE_REFERENCE;
        channel.nominal = (double)NAN;
        assert_false(measuring_reference(&hookup, &analysis, 0, &note));
    }
}

/* 57 kohm on 10 kohm leave 85 % (docs/wiring.md: 4.25 V of 5 V); 2 Mohm nearly all. */
static void a_loaded_pull_up(void **state) {
    (void)state;
    struct vehicle_channel channel = {.name = "crank-signal", .input_ohms = 57e3};
    struct vehicle_sensor sensor = {.kind = SENSOR_HALL, .pull_up_ohms = 10e3};
    struct vehicle vehicle = {
        .channel_count = 1, .channels = &channel, .sensor_count = 1, .sensors = &sensor};
    struct measuring_note note;
    assert_true(measuring_loading(&vehicle, 0, &note));
    assert_true(note.serious);
    assert_non_null(strstr(note.text, "at 85 % of"));
    sensor.pull_up_ohms = 2.2e3;
    assert_true(measuring_loading(&vehicle, 0, &note));
    assert_false(note.serious);
    channel.input_ohms = 2e6;
    assert_false(measuring_loading(&vehicle, 0, &note));
}

/* Told by edges and compressions, otherwise than given: only where every attempt bears it out. */
static void another_number_of_cylinders(void **state) {
    (void)state;
    struct vehicle vehicle = {.cylinders = 6};
    struct analysis_speed by_edges = {.rpm = 190.0, .source = ROTATION_BY_EDGES, .channel = 3};
    struct analysis_attempt attempts[] = {
        {.number = 1, .cylinders = 0},
        {.number = 2, .cylinders = 4, .speed_count = 1, .speeds = &by_edges},
    };
    struct analysis analysis = {.attempt_count = 2, .attempts = attempts};
    struct measuring_note note;
    assert_true(measuring_cylinders(&vehicle, &analysis, &note));
    assert_int_equal(note.channel, 3);
    assert_non_null(strstr(note.text, "tell 4 cylinders, and the hookup says 6 (attempt 2)"));
    attempts[0].cylinders = 6;
    assert_false(measuring_cylinders(&vehicle, &analysis, &note));
    attempts[0].cylinders = 0;
    vehicle.cylinders = 0;
    assert_false(measuring_cylinders(&vehicle, &analysis, &note));
}

/* 36 teeth at 200 rpm are 120 a second, 240 states, 5 samples in each: 1200 scans/s. */
static void a_board_too_slow_for_its_edges(void **state) {
    (void)state;
    struct vehicle_channel channels[] = {{.name = "signal", .role = ROLE_SIGNAL},
                                         {.name = "feed", .role = ROLE_FEED}};
    struct vehicle_sensor sensor = {.signal = 0, .shaft = SHAFT_CRANK, .wheel = {36, 1, 0}};
    struct hookup hookup = {.vehicle = {.channel_count = 2,
                                        .channels = channels,
                                        .sensor_count = 1,
                                        .sensors = &sensor},
                            .limits = {.samples_per_state = 5}};
    struct measuring_note note;
    assert_true(measuring_speed(&hookup, 0, 1199, 0, &note));
    assert_non_null(strstr(note.text, "200 rpm needs 1200"));
    assert_false(measuring_speed(&hookup, 0, 1201, 0, &note));
    assert_false(measuring_speed(&hookup, 0, 0, 0, &note)); /* nobody says how fast it is */
    assert_false(measuring_speed(&hookup, 1, 10, 0.02, &note));
    assert_true(measuring_speed(&hookup, 0, 5000, 0.02, &note));
    assert_non_null(strstr(note.text, "about 20 ms"));
    sensor.shaft = SHAFT_CAM;
    assert_false(measuring_speed(&hookup, 0, 601, 0, &note));
    sensor.wheel.places = 0;
    assert_true(measuring_speed(&hookup, 0, 100, 0, &note));
    assert_false(measuring_speed(&hookup, 0, 250, 0, &note));
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_known_voltage),
        cmocka_unit_test(a_loaded_pull_up),
        cmocka_unit_test(another_number_of_cylinders),
        cmocka_unit_test(a_board_too_slow_for_its_edges),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
