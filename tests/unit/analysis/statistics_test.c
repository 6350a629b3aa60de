// SPDX-License-Identifier: Apache-2.0
/*
 * statistics_test.c - levels beside numpy and scipy, on on/off signals of several shapes.
 */
#include "cmocka_helper.h"
#include "levels.h"
#include "sheet_helper.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/wait.h>
#include <unistd.h>

#define SAMPLES   5000
#define RESULTS   6
#define NO_MODULE 77

/* Runs the reference on the counts; false where numpy or scipy are absent. */
static bool ask_reference(const int32_t *counts, double *results) {
    char data[] = "/tmp/cranktrap-statistics-XXXXXX";
    char command[512];
    int descriptor = mkstemp(data);
    assert_true(descriptor >= 0);
    FILE *stream = fdopen(descriptor, "w");
    assert_non_null(stream);
    for (size_t i = 0; i < SAMPLES; i++)
        fprintf(stream, "%d\n", (int)counts[i]);
    assert_int_equal(fclose(stream), 0);
    snprintf(command, sizeof command,
             "/usr/bin/python3 '%s/tests/unit/analysis/statistics_reference.py' < %s",
             CRANKTRAP_SOURCE, data);
    FILE *reference = popen(command, "r");
    assert_non_null(reference);
    size_t read = 0;
    while (read < RESULTS && fscanf(reference, "%lf", &results[read]) == 1)
        read++;
    int status = pclose(reference);
    unlink(data);
    if (WIFEXITED(status) && (WEXITSTATUS(status) == NO_MODULE || WEXITSTATUS(status) == 127))
        return false;
    assert_int_equal(read, RESULTS);
    return true;
}

static int32_t shape(int which, size_t i, uint64_t *seed) {
    double value = 0.0;
    switch (which) {
    case 0: /* a Hall output, a third up */
        value = i % 90 < 30 ? 4080.0 : 98.0;
        break;
    case 1: /* slow edges */
        value = i % 100 < 5    ? 40.0 + 180.0 * (double)(i % 100)
                : i % 100 < 50 ? 940.0
                : i % 100 < 55 ? 940.0 - 180.0 * (double)(i % 100 - 50)
                               : 40.0;
        break;
    default: /* rarely down, and a little ringing behind each edge */
        value = i % 250 < 10 ? 300.0 : 1900.0 + 60.0 * exp(-(double)(i % 250 - 10) / 4.0);
        break;
    }
    return (int32_t)lrint(value + 4.0 * sheet_random(seed));
}

static void beside_numpy_and_scipy(void **state) {
    (void)state;
    struct scale scale = scale_line(1.0, 0.0);
    for (int which = 0; which < 3; which++) {
        int32_t counts[SAMPLES];
        double expected[RESULTS];
        uint64_t seed = (uint64_t)which + 1;
        struct levels *levels = malloc(sizeof *levels);
        assert_non_null(levels);
        levels_init(levels);
        for (size_t i = 0; i < SAMPLES; i++)
            counts[i] = shape(which, i, &seed);
        levels_push(levels, counts, SAMPLES);
        if (!ask_reference(counts, expected)) {
            free(levels);
            print_message("not run: numpy and scipy for /usr/bin/python3 are not there\n");
            skip();
        }
        double low;
        double high;
        double bin = (double)((int64_t)1 << levels->shift);
        assert_true(levels_states(levels, &scale, &low, &high));
        assert_near(levels_average(levels, &scale), expected[0], 1e-9 * expected[0]);
        assert_near(levels_percentile(levels, &scale, 0.95), expected[1], bin);
        /* 1.128 is 2/sqrt(pi) to four digits */
        assert_near(levels_noise(levels, &scale), expected[2], 1e-3 * expected[2]);
        assert_near(low, expected[3], bin);
        assert_near(high, expected[4], bin);
        assert_near(levels_share_above(levels, &scale, (low + high) / 2.0), expected[5], 0.005);
        free(levels);
    }
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(beside_numpy_and_scipy),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
