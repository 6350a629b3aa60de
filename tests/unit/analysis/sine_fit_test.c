// SPDX-License-Identifier: Apache-2.0
/*
 * sine_fit_test.c - the sine fit against published vectors, and beside scipy's least squares.
 *
 * The vectors are those of the open metrology toolbox QWTB (alg_SINAD-ENOB/alg_test.m,
 * alg_FPNLSF): 10 kHz, 10000 samples, 2 V at 100 Hz, phase 1, offset 0.2 V; with noise of 1e-4 V
 * rms the ratio is 83.0103 dB and, with 3 V full scale, 13.0802 bit (it accepts half a per cent).
 */
#include "sine_fit.h"

#include "cmocka_helper.h"
#include "sheet_helper.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/wait.h>
#include <unistd.h>

#define PI        3.14159265358979323846
#define COUNT     10000
#define PERIOD_S  1e-4
#define NUMBERS   5
#define NO_MODULE 77

static double values[COUNT];

static void draw(double noise, double second_harmonic, double quantum) {
    uint64_t seed = 1057;
    for (size_t i = 0; i < COUNT; i++) {
        double angle = 2.0 * PI * 100.0 * (double)i * PERIOD_S + 1.0;
        values[i] = 2.0 * sin(angle) + 0.2 + second_harmonic * sin(2.0 * angle) +
                    noise * sheet_random(&seed);
        if (quantum > 0.0)
            values[i] = quantum * round(values[i] / quantum);
    }
}

/* The guess is 0.2 % high, as in the vector. */
static void converges_on_the_published_sine(void **state) {
    (void)state;
    struct sine_fit fit;
    draw(0.0, 0.0, 0.0);
    assert_int_equal(sine_fit(values, COUNT, PERIOD_S, 100.2, &fit), 0);
    assert_near(fit.frequency_hz, 100.0, 1e-9);
    assert_near(fit.amplitude, 2.0, 1e-9);
    assert_near(fit.phase, 1.0, 1e-8);
    assert_near(fit.offset, 0.2, 1e-9);
    assert_true(fit.residual < 1e-8);
}

static void published_ratio_and_bits(void **state) {
    (void)state;
    struct sine_fit fit;
    draw(1e-4, 0.0, 0.0);
    assert_int_equal(sine_fit(values, COUNT, PERIOD_S, 100.2, &fit), 0);
    assert_near(sine_sinad_db(&fit), 83.0103, 0.005 * 83.0103);
    assert_near(sine_effective_bits(&fit, 3.0), 13.0802, 0.005 * 13.0802);
    assert_near(sine_effective_bits(&fit, 6.0), 14.0802, 0.005 * 14.0802);
}

/*
 * A converter that only rounds has the bits it has, when a sine fills it: its quantum is the full
 * scale over 2^bits, and rounding leaves 1 / sqrt(12) of it (textbook).
 */
static void an_ideal_converter_has_its_bits(void **state) {
    (void)state;
    for (int bits = 8; bits <= 14; bits += 2) {
        struct sine_fit fit;
        double full_scale = 4.0;
        draw(full_scale / exp2(bits) * 0.02, 0.0, full_scale / exp2(bits));
        assert_int_equal(sine_fit(values, COUNT, PERIOD_S, 100.0, &fit), 0);
        /* 100 samples a period, a little dither: the error is not quite evenly spread */
        assert_near(sine_effective_bits(&fit, full_scale), bits, 0.15);
    }
}

static bool ask_reference(double guess_hz, double *numbers) {
    char data[] = "/tmp/cranktrap-sine-XXXXXX";
    char command[512];
    int descriptor = mkstemp(data);
    assert_true(descriptor >= 0);
    FILE *stream = fdopen(descriptor, "w");
    assert_non_null(stream);
    fprintf(stream, "%d %.17g %.17g\n", COUNT, PERIOD_S, guess_hz);
    for (size_t i = 0; i < COUNT; i++)
        fprintf(stream, "%.17g\n", values[i]);
    assert_int_equal(fclose(stream), 0);
    snprintf(command, sizeof command,
             "/usr/bin/python3 '%s/tests/unit/analysis/sine_fit_reference.py' < %s",
             CRANKTRAP_SOURCE, data);
    FILE *reference = popen(command, "r");
    assert_non_null(reference);
    int read = 0;
    while (read < NUMBERS && fscanf(reference, "%lf", &numbers[read]) == 1)
        read++;
    int status = pclose(reference);
    unlink(data);
    if (WIFEXITED(status) && (WEXITSTATUS(status) == NO_MODULE || WEXITSTATUS(status) == 127))
        return false;
    assert_int_equal(read, NUMBERS);
    return true;
}

/* Noisy, bent and rounded: what the least squares are is scipy's word. */
static void beside_scipy(void **state) {
    (void)state;
    static const double kinds[][3] = {{0.05, 0, 0}, {0, 0.1, 0}, {0.002, 0.01, 4.0 / 4096}};
    for (size_t i = 0; i < sizeof kinds / sizeof kinds[0]; i++) {
        double expected[NUMBERS];
        struct sine_fit fit;
        draw(kinds[i][0], kinds[i][1], kinds[i][2]);
        if (!ask_reference(100.0, expected)) {
            print_message("not run: numpy and scipy for /usr/bin/python3 are not there\n");
            skip();
        }
        assert_int_equal(sine_fit(values, COUNT, PERIOD_S, 100.3, &fit), 0);
        assert_near(fit.frequency_hz, expected[0], 1e-7);
        assert_near(fit.amplitude, expected[1], 1e-7);
        assert_near(fit.phase, expected[2], 1e-6);
        assert_near(fit.offset, expected[3], 1e-7);
        assert_near(fit.residual, expected[4], 1e-9);
    }
}

static void guess_by_crossings(void **state) {
    (void)state;
    double hertz;
    struct sine_fit fit;
    draw(0.2, 0.0, 0.0); /* a tenth of it is noise */
    assert_int_equal(sine_guess(values, COUNT, PERIOD_S, &hertz), 0);
    assert_near(hertz, 100.0, 0.5);
    assert_int_equal(sine_fit(values, COUNT, PERIOD_S, hertz, &fit), 0);
    assert_near(fit.frequency_hz, 100.0, 0.01);
    assert_int_equal(sine_fit(values, COUNT, PERIOD_S, 102.0, &fit), 0); /* two periods off */
    assert_near(fit.frequency_hz, 100.0, 0.01);
}

static void what_is_no_sine(void **state) {
    (void)state;
    struct sine_fit fit = {.rounds = 77};
    double hertz = 7;
    for (size_t i = 0; i < COUNT; i++)
        values[i] = 5.0;
    assert_int_equal(sine_guess(values, COUNT, PERIOD_S, &hertz), -EDOM);
    assert_int_equal(sine_fit(values, COUNT, PERIOD_S, 100.0, &fit), -EDOM);
    assert_int_equal(sine_fit(values, COUNT, PERIOD_S, 5000.0, &fit), -EINVAL);
    assert_int_equal(sine_fit(values, COUNT, PERIOD_S, 0.0, &fit), -EINVAL);
    assert_int_equal(sine_fit(values, COUNT, PERIOD_S, (double)NAN, &fit), -EINVAL);
    assert_int_equal(sine_fit(values, 7, PERIOD_S, 100.0, &fit), -EINVAL);
    assert_int_equal(fit.rounds, 77);
    assert_near(hertz, 7.0, 0.0);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(converges_on_the_published_sine),
        cmocka_unit_test(published_ratio_and_bits),
        cmocka_unit_test(an_ideal_converter_has_its_bits),
        cmocka_unit_test(beside_scipy),
        cmocka_unit_test(guess_by_crossings),
        cmocka_unit_test(what_is_no_sine),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
