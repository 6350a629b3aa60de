// SPDX-License-Identifier: Apache-2.0
/*
 * vehicle_test.c - names, scales, wheels and look-ups.
 */
#include "vehicle.h"

#include "cmocka_helper.h"

#include <errno.h>
#include <math.h>
#include <string.h>

static void names_go_there_and_back(void **state) {
    (void)state;
    for (int i = 0; i < ROLE_COUNT; i++) {
        enum role role = ROLE_COUNT;
        assert_int_equal(role_from_name(role_name((enum role)i), &role), 0);
        assert_int_equal(role, i);
    }
    enum role role = ROLE_FEED;
    assert_int_equal(role_from_name("sensor", &role), -EINVAL);
    assert_int_equal(role, ROLE_FEED);
    assert_string_equal(role_name((enum role)99), "other");
    assert_string_equal(role_name(ROLE_STARTER_CURRENT), "starter-current");
    enum place place;
    assert_int_equal(place_from_name("ecu", &place), 0);
    assert_string_equal(place_name(place), "ecu");
    enum ground_point point;
    assert_int_equal(ground_point_from_name("battery-negative", &point), 0);
    assert_int_equal(point, GROUND_BATTERY_NEGATIVE);
    enum sensor_kind kind;
    assert_int_equal(sensor_kind_from_name("inductive", &kind), 0);
    assert_string_equal(sensor_kind_name(kind), "inductive");
    enum shaft shaft;
    assert_int_equal(shaft_from_name("cam", &shaft), 0);
    assert_string_equal(shaft_name(shaft), "cam");
    assert_int_equal(shaft_from_name("Cam", &shaft), -EINVAL);
}

static void a_straight_scale(void **state) {
    (void)state;
    struct scale scale = scale_line(0.005, -1.0);
    assert_near(scale_value(&scale, 0.0), -1.0, 1e-12);
    assert_near(scale_value(&scale, 4095.0), 19.475, 1e-12);
    assert_near(scale_value(&scale, -200.0), -2.0, 1e-12);
    assert_near(scale_counts(&scale, 19.475), 4095.0, 1e-9);
    struct scale falling = scale_line(-0.5, 10.0);
    assert_near(scale_counts(&falling, 0.0), 20.0, 1e-12);
    assert_near(scale_counts(&falling, 12.0), -4.0, 1e-12);
}

static void a_bent_scale(void **state) {
    (void)state;
    const struct scale scale = {
        .points = 3, .counts = {0.0, 1000.0, 3000.0}, .values = {0.0, 5.0, 25.0}};
    assert_near(scale_value(&scale, 500.0), 2.5, 1e-12);
    assert_near(scale_value(&scale, 1000.0), 5.0, 1e-12);
    assert_near(scale_value(&scale, 2000.0), 15.0, 1e-12);
    assert_near(scale_value(&scale, 4000.0), 35.0, 1e-12); /* the last piece goes on */
    assert_near(scale_value(&scale, -100.0), -0.5, 1e-12); /* and the first */
    for (double counts = -500.0; counts < 4500.0; counts += 37.0)
        assert_near(scale_counts(&scale, scale_value(&scale, counts)), counts, 1e-9);
    const struct scale down = {
        .points = 3, .counts = {0.0, 1000.0, 3000.0}, .values = {25.0, 5.0, 0.0}};
    for (double counts = -500.0; counts < 4500.0; counts += 37.0)
        assert_near(scale_counts(&down, scale_value(&down, counts)), counts, 1e-9);
    const struct scale flat = {.points = 3, .counts = {0.0, 10.0, 20.0}, .values = {0.0, 5.0, 5.0}};
    assert_near(scale_counts(&flat, 5.0), 10.0, 1e-12);
}

static void wheels(void **state) {
    (void)state;
    static const struct {
        const char *text;
        int result;
        struct wheel wheel;
    } cases[] = {
        {"learn", 0, {0, 0, 0}},
        {"60-2", 0, {60, 2, 0}},
        {"36", 0, {36, 0, 0}},
        {"36-2-2", 0, {36, 2, 2}},
        {"1", 0, {1, 0, 0}},
        {"", -EINVAL, {0, 0, 0}},
        {"60-", -EINVAL, {0, 0, 0}},
        {"-2", -EINVAL, {0, 0, 0}},
        {"60-60", -EINVAL, {0, 0, 0}},
        {"4-2-2", -EINVAL, {0, 0, 0}},
        {"36-2-2-2", -EINVAL, {0, 0, 0}},
        {"60-0", -EINVAL, {0, 0, 0}},
        {"0", -EINVAL, {0, 0, 0}},
        {"60 - 2", -EINVAL, {0, 0, 0}},
        {"60-2x", -EINVAL, {0, 0, 0}},
        {"99999999999", -EINVAL, {0, 0, 0}},
        {"1001", -EINVAL, {0, 0, 0}},
        {"+60", -EINVAL, {0, 0, 0}},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct wheel wheel = {7, 7, 7};
        assert_int_equal(wheel_from_text(cases[i].text, &wheel), cases[i].result);
        struct wheel expected = cases[i].result == 0 ? cases[i].wheel : (struct wheel){7, 7, 7};
        assert_memory_equal(&wheel, &expected, sizeof wheel);
    }
}

static void look_ups(void **state) {
    (void)state;
    const struct vehicle_channel channels[] = {
        {.name = "battery", .role = ROLE_BATTERY},
        {.name = "feed", .role = ROLE_FEED},
        {.name = "cam-signal", .role = ROLE_SIGNAL},
    };
    const struct vehicle_sensor sensors[] = {
        {.name = "crank", .feed = 1, .ret = CHANNEL_NONE, .signal = CHANNEL_NONE},
        {.name = "cam", .feed = 1, .ret = CHANNEL_NONE, .signal = 2},
    };
    const struct vehicle vehicle = {
        .channel_count = 3, .channels = channels, .sensor_count = 2, .sensors = sensors};
    assert_int_equal(vehicle_channel_by_role(&vehicle, ROLE_FEED), 1);
    assert_int_equal(vehicle_channel_by_role(&vehicle, ROLE_RETURN), CHANNEL_NONE);
    assert_int_equal(vehicle_channel_by_name(&vehicle, "cam-signal"), 2);
    assert_int_equal(vehicle_channel_by_name(&vehicle, "cam"), CHANNEL_NONE);
    assert_int_equal(vehicle_sensor_of_channel(&vehicle, 1), 0);
    assert_int_equal(vehicle_sensor_of_channel(&vehicle, 2), 1);
    assert_int_equal(vehicle_sensor_of_channel(&vehicle, 0), CHANNEL_NONE);
    assert_int_equal(vehicle_sensor_of_channel(&vehicle, CHANNEL_NONE), CHANNEL_NONE);
}

/* The table of docs/wiring.md, "signal": what a pull-up leaves of 5 V behind an input of 57 kohm
 * and 2 Mohm (its values are solved another way in tests/wiring). */
static void a_pull_up_that_is_loaded(void **state) {
    (void)state;
    struct vehicle_channel channel = {.input_ohms = 57e3};
    struct vehicle vehicle = {.channel_count = 1, .channels = &channel};
    struct vehicle_sensor sensor = {.signal = 0, .pull_up_ohms = 10e3};
    assert_int_equal((int)(100.0 * 5.0 * vehicle_pull_up_share(&vehicle, &sensor) + 0.5), 425);
    sensor.pull_up_ohms = 1e3;
    assert_int_equal((int)(100.0 * 5.0 * vehicle_pull_up_share(&vehicle, &sensor) + 0.5), 491);
    channel.input_ohms = (double)NAN;
    assert_true(vehicle_pull_up_share(&vehicle, &sensor) >= 1.0);
    channel.input_ohms = 57e3;
    sensor.pull_up_ohms = (double)NAN;
    assert_true(vehicle_pull_up_share(&vehicle, &sensor) >= 1.0);
    sensor.pull_up_ohms = 10e3;
    sensor.signal = CHANNEL_NONE;
    assert_true(vehicle_pull_up_share(&vehicle, &sensor) >= 1.0);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(names_go_there_and_back),
        cmocka_unit_test(a_straight_scale),
        cmocka_unit_test(a_bent_scale),
        cmocka_unit_test(wheels),
        cmocka_unit_test(look_ups),
        cmocka_unit_test(a_pull_up_that_is_loaded),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
