// SPDX-License-Identifier: Apache-2.0
/*
 * iio_test.c - the driver iio and the real libiio on a /sys that umockdev plays: no kernel has had
 * a part in it.
 */
#include "cmocka_helper.h"
#include "drivers.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <umockdev.h>

#define PATH     "/sys/devices/platform/adc0/iio:device0"
#define PATIENCE 1000

struct rig {
    UMockdevTestbed *testbed;
    const struct board_driver *driver;
    struct board *board;
    int32_t last[2];
    size_t scans;
    uint64_t lost[BOARD_LOSSES];
    bool plugged, wrong;
};

static void on_samples(void *context, const int32_t *counts, size_t scans) {
    struct rig *rig = context;
    rig->wrong |= scans != 1;
    memcpy(rig->last, counts, sizeof rig->last);
    rig->scans++;
}

static void on_loss(void *context, enum board_loss reason, uint64_t scans) {
    struct rig *rig = context;
    rig->wrong |= rig->scans == 0 || scans == 0;
    rig->lost[reason] += scans;
}

static void plug(struct rig *rig) {
    GError *error = NULL;
    if (!umockdev_testbed_add_from_string(
            rig->testbed,
            "P: /devices/platform/adc0/iio:device0\nE: SUBSYSTEM=iio\nE: DEVTYPE=iio_device\n"
            "A: name=generic-adc\\n\nA: in_voltage0_raw=100\\n\nA: in_voltage1_raw=2000\\n\n"
            "A: in_voltage_scale=1.220703125\\n\nA: in_voltage1_offset=-2048\\n\n",
            &error))
        fail_msg("umockdev: %s", error->message);
    rig->plugged = true;
}

static void unplug(struct rig *rig) {
    umockdev_testbed_remove_device(rig->testbed, PATH);
    rig->plugged = false;
}

static int open_with(struct rig *rig, const char *channels, char *why, size_t size) {
    const struct board_setting setting[] = {{"rate", "200"}, {"channels", channels}};
    const struct board_sinks sinks = {rig, on_samples, on_loss, NULL};
    const struct board_settings settings = {2, setting, NULL, "generic-adc"};
    return rig->driver->open(&settings, &sinks, &rig->board, why, size);
}

static int set_up(void **state) {
    struct rig *rig = calloc(1, sizeof *rig);
    assert_non_null(rig);
    rig->testbed = umockdev_testbed_new();
    rig->driver = drivers_find("iio");
    assert_int_equal(open_with(rig, "voltage1, voltage0", NULL, 0), 0);
    plug(rig);
    *state = rig;
    return 0;
}

static int tear_down(void **state) {
    struct rig *rig = *state;
    rig->driver->close(rig->board);
    if (rig->plugged)
        unplug(rig);
    g_object_unref(rig->testbed);
    free(rig);
    return 0;
}

static int begin(struct rig *rig) {
    struct board_bytes request;
    rig->scans = 0;
    return rig->driver->start(rig->board, &request);
}

static void fetch_scans(struct rig *rig, size_t more) {
    size_t wanted = rig->scans + more;
    for (int i = 0; rig->scans < wanted; i++) {
        assert_true(i < PATIENCE);
        assert_true(rig->driver->fetch(rig->board, 100) >= 0);
    }
    assert_false(rig->wrong);
}

/* The kernel's Documentation/ABI/testing/sysfs-bus-iio: millivolts = (raw + offset) * scale. */
static void values_and_their_volts(void **state) {
    struct rig *rig = *state;
    struct board_description description;
    assert_int_equal(rig->driver->describe(rig->board, &description), -EAGAIN);
    assert_int_equal(begin(rig), 0);
    fetch_scans(rig, 5);
    assert_int_equal(rig->last[0], 2000);
    assert_int_equal(rig->last[1], 100);
    assert_int_equal(rig->driver->describe(rig->board, &description), 0);
    assert_int_equal(description.inputs, 2);
    assert_true(fabs(description.volts_per_count[1] - 0.001220703125) < 1e-12);
    assert_true(fabs(description.zero_counts[0] - 2048) < 1e-9);
    assert_true(fabs(description.zero_counts[1]) < 1e-9);
    assert_int_equal(description.rail_high[0], 4095);
    umockdev_testbed_set_attribute(rig->testbed, PATH, "in_voltage0_raw", "101\n");
    fetch_scans(rig, 1);
    assert_int_equal(rig->last[1], 101);
}

static void what_cannot_be_is_a_loss(void **state) {
    struct rig *rig = *state;
    assert_int_equal(begin(rig), 0);
    fetch_scans(rig, 2);
    umockdev_testbed_set_attribute(rig->testbed, PATH, "in_voltage0_raw", "4096\n");
    for (int i = 0; i < 3; i++)
        assert_int_equal(rig->driver->fetch(rig->board, 100), 0);
    assert_non_null(strstr(rig->driver->explain(rig->board), "\"voltage0\" reads 4096"));
    umockdev_testbed_set_attribute(rig->testbed, PATH, "in_voltage0_raw", "4095\n");
    fetch_scans(rig, 1);
    assert_true(rig->lost[BOARD_LOSS_DAMAGED] >= 3);
    assert_string_equal(rig->driver->explain(rig->board), "");
}

static void goes_and_comes_back(void **state) {
    struct rig *rig = *state;
    for (int cycle = 0; cycle < 5; cycle++) {
        assert_int_equal(begin(rig), 0);
        fetch_scans(rig, 3);
        unplug(rig);
        int result = 0;
        for (int i = 0; i < PATIENCE && result >= 0; i++)
            result = rig->driver->fetch(rig->board, 100);
        assert_int_equal(result, -ENODEV);
        assert_int_equal(begin(rig), -ENOENT);
        assert_non_null(strstr(rig->driver->explain(rig->board), "no converter \"generic-adc\""));
        assert_int_equal(rig->driver->fetch(rig->board, 100), -ENODEV);
        plug(rig);
    }
}

static void wrong_settings_are_told(void **state) {
    struct rig *rig = *state;
    char why[256];
    rig->driver->close(rig->board);
    rig->board = NULL;
    assert_int_equal(open_with(rig, " , ", why, sizeof why), -EINVAL);
    assert_non_null(strstr(why, "channels is empty"));
    assert_int_equal(open_with(rig, "voltage0, voltage7", why, sizeof why), 0);
    assert_int_equal(begin(rig), -EINVAL);
    assert_non_null(strstr(rig->driver->explain(rig->board), "has no channel \"voltage7\""));
}

static void stops_in_any_state(void **state) {
    struct rig *rig = *state;
    struct board_bytes request;
    assert_int_equal(rig->driver->stop(rig->board, &request), 0);
    assert_int_equal(begin(rig), 0);
    assert_int_equal(rig->driver->stop(rig->board, &request), 0);
    assert_int_equal(rig->driver->fetch(rig->board, 5), -ENODEV);
    rig->driver->close(NULL);
}

#define TEST(function) cmocka_unit_test_setup_teardown(function, set_up, tear_down)

int main(void) {
    const struct CMUnitTest tests[] = {
        TEST(values_and_their_volts),  TEST(what_cannot_be_is_a_loss), TEST(goes_and_comes_back),
        TEST(wrong_settings_are_told), TEST(stops_in_any_state),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
