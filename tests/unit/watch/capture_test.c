// SPDX-License-Identifier: Apache-2.0
/*
 * capture_test.c - a stretch of raw samples: whole, in order, without a loss inside.
 */
#include "cmocka_helper.h"
#include "yard_helper.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>

/* Two leads at levels of their own, at 20 V over 4095 counts. */
static void open_yard(struct yard *yard) {
    yard_open(yard);
    (void)yard_lead(yard, "reference", ROLE_REFERENCE, 2.5);
    (void)yard_lead(yard, "other", ROLE_OTHER, 10.0);
    yard_watch(yard);
}

static void test_whole_and_in_order(void **state) {
    (void)state;
    struct yard yard;
    struct watch_capture capture;
    open_yard(&yard);
    assert_int_equal(watch_capture_begin(yard.watch, 0, 0.5), 0);
    assert_int_equal(watch_capture_begin(yard.watch, 0, 0.5), -EBUSY);
    yard_pass(&yard, 0.2);
    yard.volts[0] = 5.0;
    assert_false(watch_capture_done(yard.watch));
    yard_pass(&yard, 1.0);
    assert_true(watch_capture_done(yard.watch));
    assert_int_equal(watch_capture_end(yard.watch, &capture), 0);
    assert_int_equal(capture.inputs, 2);
    assert_int_equal(capture.scans, lround(0.5 * yard.rate_hz));
    assert_near(capture.period_s, 1.0 / yard.rate_hz, 1e-12);
    size_t step = (size_t)lround(0.2 * yard.rate_hz);
    for (size_t i = 0; i < capture.scans; i++) {
        assert_int_equal(capture.counts[i], lround(4095 * (i < step ? 2.5 : 5.0) / 20.0));
        assert_int_equal(capture.counts[capture.scans + i], lround(4095 * 10.0 / 20.0));
    }
    free(capture.counts);
    yard_close(&yard);
}

static void test_begins_again_after_a_loss(void **state) {
    (void)state;
    struct yard yard;
    struct watch_capture capture;
    open_yard(&yard);
    assert_int_equal(watch_capture_begin(yard.watch, 0, 0.5), 0);
    yard_pass(&yard, 0.4);
    yard.lost = true;
    yard.volts[0] = 5.0;
    yard_pass(&yard, 0.4);
    assert_false(watch_capture_done(yard.watch));
    yard_pass(&yard, 0.2);
    assert_int_equal(watch_capture_end(yard.watch, &capture), 0);
    assert_int_equal(capture.counts[0], lround(4095 * 5.0 / 20.0));
    free(capture.counts);
    yard_close(&yard);
}

static void test_given_up(void **state) {
    (void)state;
    struct yard yard;
    struct watch_capture capture;
    open_yard(&yard);
    assert_int_equal(watch_capture_begin(yard.watch, 1, 0.5), -ENODEV);
    assert_int_equal(watch_capture_begin(yard.watch, 0, 0.5), 0);
    yard_pass(&yard, 0.1);
    assert_int_equal(watch_capture_end(yard.watch, &capture), -EAGAIN);
    assert_int_equal(watch_capture_begin(yard.watch, 0, 1000.0), 0); /* more than there is room */
    yard_pass(&yard, 1.0);
    assert_false(watch_capture_done(yard.watch));
    yard_close(&yard); /* a sanitizer tells what it does not free */
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_whole_and_in_order),
        cmocka_unit_test(test_begins_again_after_a_loss),
        cmocka_unit_test(test_given_up),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
