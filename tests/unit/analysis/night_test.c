// SPDX-License-Identifier: Apache-2.0
/*
 * night_test.c - contrasts and bounds beside scipy and brute force, and by hand.
 */
#include "chance.h"
#include "cmocka_helper.h"
#include "contrast.h"
#include "sheet_helper.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/wait.h>
#include <unistd.h>

#define NO_MODULE 77
#define ATTEMPTS  11
#define READINGS  6

/* The reference's numbers on the data file (or the words); false where scipy is absent. */
static bool ask_reference(const char *words, const char *data, double *numbers, size_t count) {
    char command[512];
    snprintf(command, sizeof command,
             "/usr/bin/python3 '%s/tests/unit/analysis/night_reference.py' %s < %s",
             CRANKTRAP_SOURCE, words, data);
    FILE *reference = popen(command, "r");
    assert_non_null(reference);
    size_t read = 0;
    while (read < count && fscanf(reference, "%lf", &numbers[read]) == 1)
        read++;
    int status = pclose(reference);
    if (WIFEXITED(status) && (WEXITSTATUS(status) == NO_MODULE || WEXITSTATUS(status) == 127))
        return false;
    assert_int_equal(status, 0);
    assert_int_equal(read, count);
    return true;
}

/* Lower in all 3 failed than in any of the 8 that started: 3 of 11 are chosen in 165 ways. */
static void all_apart_by_hand(void **state) {
    (void)state;
    const bool failed[ATTEMPTS] = {0, 0, 1, 0, 0, 1, 0, 0, 0, 1, 0};
    double values[2][ATTEMPTS] = {{5.0, 5.1, 0.3, 5.2, 5.3, 0.4, 5.4, 5.5, 5.6, 0.5, 5.7},
                                  {0, 0, 1, 0, 0, 1, 0, 0, 0, 1, 0}};
    struct contrast results[2];
    assert_int_equal(contrast_compare(failed, ATTEMPTS, values[0], 2, results), 0);
    assert_near(chance_ways(11, 3), 165.0, 1e-9);
    assert_int_equal(results[0].side, -1);
    assert_near(results[0].chance, 2.0 / 165.0, 1e-12); /* or higher in all */
    assert_int_equal(results[1].side, 1);
    assert_near(results[1].chance, 1.0 / 165.0, 1e-12); /* there is no other side */
    assert_near(results[0].failed_high, 0.5, 1e-12);
    assert_near(results[0].started_low, 5.0, 1e-12);
    assert_near(results[0].gap, 4.5 / 5.4, 1e-12);
    assert_int_equal(results[0].failed, 3);
    assert_int_equal(results[0].started, 8);
}

/* A second look at the same reading costs nothing; a reading that is constant says nothing. */
static void readings_that_move_together(void **state) {
    (void)state;
    const bool failed[5] = {1, 1, 0, 0, 0};
    double values[3][5] = {{1, 2, 3, 4, 5}, {10, 20, 30, 40, 50}, {7, 7, 7, 7, 7}};
    struct contrast results[3];
    assert_int_equal(contrast_compare(failed, 5, values[0], 3, results), 0);
    assert_near(results[0].chance, 0.2, 1e-12); /* 2 of 10 */
    assert_near(results[0].chance_of_any, 0.2, 1e-12);
    assert_near(results[1].chance_of_any, 0.2, 1e-12);
    assert_near(results[2].chance, 1.0, 1e-12);
    assert_int_equal(results[2].side, 0);
}

static void nothing_to_compare(void **state) {
    (void)state;
    const bool failed[3] = {1, 1, 1};
    double values[2][3] = {{1, 2, 3}, {(double)NAN, (double)NAN, (double)NAN}};
    struct contrast results[2];
    assert_int_equal(contrast_compare(failed, 3, values[0], 2, results), 0);
    assert_near(results[0].chance, 1.0, 1e-12);
    assert_int_equal(results[0].side, 0);
    assert_near(results[1].chance, 1.0, 1e-12);
    assert_int_equal(results[1].failed, 0);
    assert_true(isnan(results[1].failed_low));
    assert_int_equal(contrast_compare(failed, 0, values[0], 0, results), 0);
}

/* More deals than are made: 20 readings of pure noise are seldom below 5 % after correction. */
static void noise_is_not_blamed(void **state) {
    (void)state;
    enum { NIGHTS = 20, MANY = 20, ALL = 24 };
    uint64_t seed = 11;
    int blamed = 0;
    for (int night = 0; night < NIGHTS; night++) {
        bool failed[ALL];
        double values[MANY][ALL];
        struct contrast results[MANY];
        for (size_t i = 0; i < ALL; i++)
            failed[i] = i % 3 == 0;
        for (size_t i = 0; i < MANY; i++)
            for (size_t j = 0; j < ALL; j++)
                values[i][j] = sheet_random(&seed);
        assert_int_equal(contrast_compare(failed, ALL, values[0], MANY, results), 0);
        bool any = false;
        for (size_t i = 0; i < MANY; i++)
            any = any || results[i].chance_of_any < 0.05;
        blamed += any;
    }
    /* Binomial of 20 at 5 %: 6 or more has a probability of 0.03 %. Uncorrected it would be 13. */
    assert_in_range(blamed, 0, 5);
}

static void fill(bool *failed, double values[READINGS][ATTEMPTS], size_t fails, uint64_t *seed) {
    for (size_t j = 0; j < ATTEMPTS; j++)
        failed[j] = (j * 5 + fails) % ATTEMPTS < fails;
    for (size_t i = 0; i < READINGS; i++)
        for (size_t j = 0; j < ATTEMPTS; j++) {
            double noise = sheet_random(seed);
            values[i][j] = i == 0   ? noise
                           : i == 1 ? noise + (failed[j] ? 9.0 : 0.0)
                           : i == 2 ? (double)failed[j]
                           : i == 3 ? (double)(noise > 0.2)
                           : i == 4 ? round(2.0 * noise)
                           : j % 4  ? noise - (failed[j] ? 1.0 : 0.0)
                                    : (double)NAN;
        }
}

static void contrasts_beside_scipy(void **state) {
    (void)state;
    uint64_t seed = 3;
    for (size_t fails = 1; fails <= 7; fails += 3) {
        bool failed[ATTEMPTS];
        double values[READINGS][ATTEMPTS], reference[2 * READINGS];
        struct contrast results[READINGS];
        fill(failed, values, fails, &seed);
        char data[] = "/tmp/cranktrap-night-XXXXXX";
        int descriptor = mkstemp(data);
        assert_true(descriptor >= 0);
        FILE *stream = fdopen(descriptor, "w");
        assert_non_null(stream);
        for (size_t j = 0; j < ATTEMPTS; j++)
            fprintf(stream, "%d ", failed[j]);
        for (size_t i = 0; i < READINGS; i++)
            for (size_t j = 0; j < ATTEMPTS; j++)
                fprintf(stream, "%s%.17g", j ? " " : "\n", values[i][j]);
        assert_int_equal(fclose(stream), 0);
        bool there = ask_reference("", data, reference, 2 * READINGS);
        unlink(data);
        if (!there)
            skip();
        assert_int_equal(contrast_compare(failed, ATTEMPTS, values[0], READINGS, results), 0);
        for (size_t i = 0; i < READINGS; i++) {
            assert_near(results[i].chance, reference[2 * i], 1e-9);
            assert_near(results[i].chance_of_any, reference[2 * i + 1], 1e-9);
        }
    }
}

static void intervals_beside_scipy(void **state) {
    (void)state;
    static const unsigned cases[][2] = {{0, 11}, {1, 11}, {11, 11}, {7, 300}};
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        char words[64];
        double reference[3], low, high;
        snprintf(words, sizeof words, "interval %u %u", cases[i][0], cases[i][1]);
        if (!ask_reference(words, "/dev/null", reference, 3))
            skip();
        chance_interval(cases[i][0], cases[i][1], &low, &high);
        assert_near(low, reference[0], 1e-7); /* as near as scipy's own root */
        assert_near(high, reference[1], 1e-7);
        assert_near(chance_at_least(cases[i][0], cases[i][1], 0.3), reference[2], 1e-9);
    }
}

/* ln 0.05 / ln(10/11) = 31.4 and ln 0.01 / ln(10/11) = 48.3; 0.5^4 is 6.25 %, 0.5^5 is 3.1 %. */
static void clean_starts(void **state) {
    (void)state;
    assert_int_equal(chance_clean_starts(1.0 / 11.0, 0.05), 32);
    assert_int_equal(chance_clean_starts(1.0 / 11.0, 0.01), 49);
    assert_int_equal(chance_clean_starts(0.5, 0.05), 5);
    assert_int_equal(chance_clean_starts(1.0, 0.05), 1);
    assert_int_equal(chance_clean_starts(0.0, 0.05), 0);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(all_apart_by_hand),      cmocka_unit_test(readings_that_move_together),
        cmocka_unit_test(nothing_to_compare),     cmocka_unit_test(noise_is_not_blamed),
        cmocka_unit_test(contrasts_beside_scipy), cmocka_unit_test(intervals_beside_scipy),
        cmocka_unit_test(clean_starts),
    };
    return cmocka_run_group_tests_name("night", tests, NULL, NULL);
}
