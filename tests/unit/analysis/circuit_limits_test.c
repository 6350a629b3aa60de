// SPDX-License-Identifier: Apache-2.0
/*
 * circuit_limits_test.c - the table of limits: whole, settable, sourced.
 */
#include "circuit_limits.h"

#include "cmocka_helper.h"

#include <errno.h>
#include <math.h>
#include <string.h>

static double value_at(const struct limits *limits, size_t offset) {
    double value;
    memcpy(&value, (const char *)limits + offset, sizeof value);
    return value;
}

static void every_row_has_a_name_a_source_and_a_field(void **state) {
    (void)state;
    size_t count;
    const struct limits_row *rows = limits_rows(&count);
    assert_int_equal(count * sizeof(double), sizeof(struct limits));
    struct limits limits = limits_default(12.0);
    for (size_t i = 0; i < count; i++) {
        assert_int_equal(rows[i].offset, i * sizeof(double));
        assert_true(strlen(rows[i].name) > 0 && strlen(rows[i].source) > 0);
        assert_near(value_at(&limits, rows[i].offset), rows[i].standard, 0.0);
        assert_ptr_equal(limits_source(rows[i].offset), rows[i].source);
        for (size_t k = 0; k < i; k++)
            assert_string_not_equal(rows[i].name, rows[k].name);
    }
    assert_null(limits_source(sizeof(struct limits)));
}

static void setting_one(void **state) {
    (void)state;
    struct limits limits = limits_default(12.0);
    assert_int_equal(limits_set(&limits, "return-level", 0.2), 0);
    assert_near(limits.return_level, 0.2, 0.0);
    assert_int_equal(limits_set(&limits, "return-level", -0.1), -ERANGE);
    assert_int_equal(limits_set(&limits, "return-level", (double)NAN), -ERANGE);
    assert_int_equal(limits_set(&limits, "return-level", (double)INFINITY), -ERANGE);
    assert_int_equal(limits_set(&limits, "return", 0.1), -ENOENT);
    assert_near(limits.return_level, 0.2, 0.0);
}

/* Only what speaks of the battery's volts doubles: a 5 V feed is one in a truck as well. */
static void a_truck_of_24_volts(void **state) {
    (void)state;
    struct limits car = limits_default(12.0);
    struct limits truck = limits_default(24.0);
    assert_near(truck.cranking_floor, 2.0 * car.cranking_floor, 0.0);
    assert_near(truck.cranking_sag, 2.0 * car.cranking_sag, 0.0);
    assert_near(truck.cranking_inrush, 2.0 * car.cranking_inrush, 0.0);
    assert_near(truck.charging_level, 2.0 * car.charging_level, 0.0);
    assert_near(truck.feed_tolerance, car.feed_tolerance, 0.0);
    assert_near(truck.running_speed, car.running_speed, 0.0);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_row_has_a_name_a_source_and_a_field),
        cmocka_unit_test(setting_one),
        cmocka_unit_test(a_truck_of_24_volts),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
