// SPDX-License-Identifier: Apache-2.0
/*
 * cross_talk_test.c - inputs that show a known share of the one converted before them.
 */
#include "cmocka_helper.h"

#include "cross_talk.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>

#define INPUTS 3
#define SCANS  4000

static int32_t counts[INPUTS][SCANS];

/* What is on the leads: two square waves that are not in step, and a lead that hums a little. */
static double lead(size_t input, size_t scan) {
    if (input == 0)
        return scan % 40 < 20 ? 500 : 3500;
    if (input == 1)
        return 2000 + 30 * sin(0.01 * (double)scan);
    return scan % 333 < 150 ? 600 : 3000;
}

/* Each sample keeps `share[input]` of what was converted before it, as a hold capacitor does. */
static void convert(const double *share) {
    double before = 0;
    srand(7);
    for (size_t scan = 0; scan < SCANS; scan++)
        for (size_t input = 0; input < INPUTS; input++) {
            double value = lead(input, scan) + share[input] * (before - lead(input, scan));
            before = lead(input, scan);
            counts[input][scan] = (int32_t)lround(value + rand() % 5 - 2);
        }
}

static struct cross_talk *look(const double *share, size_t run_scans) {
    const double least_step[INPUTS] = {400, 400, 400};
    struct cross_talk *cross_talk = NULL;
    convert(share);
    assert_int_equal(cross_talk_new(1, INPUTS, least_step, &cross_talk), 0);
    for (size_t from = 0; from < SCANS; from += run_scans) {
        const int32_t *const at[] = {&counts[0][from], &counts[1][from], &counts[2][from]};
        struct record_run run = {
            .stream = 1, .inputs = INPUTS, .scans = run_scans, .period_s = 1e-3, .counts = at};
        cross_talk_push(cross_talk, &run);
        run.stream = 0; /* another board's */
        cross_talk_push(cross_talk, &run);
    }
    return cross_talk;
}

static void shows_its_share(void **state) {
    (void)state;
    const double second[INPUTS] = {0.0, 0.05, 0.0}, first[INPUTS] = {0.02, 0.0, 0.0};
    struct cross_talk *cross_talk = look(second, 400);
    double found, doubt;
    /* 100 periods, two steps each, less those between two runs */
    assert_true(cross_talk_read(cross_talk, 1, &found, &doubt) > 180);
    assert_true(fabs(found - 0.05) < 0.001);
    assert_true(doubt < 0.001);
    cross_talk_free(cross_talk);
    cross_talk = look(first, 400); /* after the last of the scan before */
    assert_true(cross_talk_read(cross_talk, 0, &found, &doubt) > 15);
    assert_true(fabs(found - 0.02) < 0.003);
    cross_talk_free(cross_talk);
}

static void clean_inputs_show_none(void **state) {
    (void)state;
    const double none[INPUTS] = {0};
    struct cross_talk *cross_talk = look(none, SCANS);
    double share, doubt;
    assert_true(cross_talk_read(cross_talk, 1, &share, &doubt) > 180);
    assert_true(fabs(share) < 0.001 && doubt < 0.001);
    cross_talk_free(cross_talk);
}

static void too_few_steps_say_nothing(void **state) {
    (void)state;
    const double none[INPUTS] = {0};
    struct cross_talk *cross_talk = look(none, SCANS);
    double share, doubt;
    /* The humming lead in the middle never steps. */
    assert_int_equal(cross_talk_read(cross_talk, 2, &share, &doubt), 0);
    assert_true(isnan(share) && isnan(doubt));
    cross_talk_free(cross_talk);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(shows_its_share),
        cmocka_unit_test(clean_inputs_show_none),
        cmocka_unit_test(too_few_steps_say_nothing),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
