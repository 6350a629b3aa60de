// SPDX-License-Identifier: Apache-2.0
/*
 * spectrum_test.c - powers beside numpy and scipy; the noise under a line by its known spectrum.
 */
#include "spectrum.h"

#include "cmocka_helper.h"
#include "sheet_helper.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/wait.h>
#include <unistd.h>

#define PI        3.14159265358979323846
#define LINES     60
#define CHANCES   3
#define NO_MODULE 77

/* Red noise on a recovering battery with a line of 6 Hz in it. */
static void draw(float *values, size_t count, double step_s, double memory, double peak) {
    uint64_t seed = count;
    double red = 0.0;
    for (size_t i = 0; i < count; i++) {
        double at_s = (double)i * step_s;
        red = memory * red + sheet_random(&seed) * sqrt(1.0 - memory * memory);
        values[i] = (float)(10.0 - 1.5 * exp(-at_s / 0.1) + 0.1 * at_s + 0.05 * red +
                            peak * sin(2.0 * PI * 6.0 * at_s));
    }
}

static bool ask_reference(const float *values, size_t count, double step_s, double *results) {
    char data[] = "/tmp/cranktrap-spectrum-XXXXXX";
    char command[512];
    int descriptor = mkstemp(data);
    assert_true(descriptor >= 0);
    FILE *stream = fdopen(descriptor, "w");
    assert_non_null(stream);
    fprintf(stream, "%zu %.17g %d\n", count, step_s, LINES);
    for (size_t i = 0; i < count; i++)
        fprintf(stream, "%.9g\n", (double)values[i]);
    assert_int_equal(fclose(stream), 0);
    snprintf(command, sizeof command,
             "/usr/bin/python3 '%s/tests/unit/analysis/spectrum_reference.py' < %s",
             CRANKTRAP_SOURCE, data);
    FILE *reference = popen(command, "r");
    assert_non_null(reference);
    int read = 0;
    while (read < LINES + CHANCES && fscanf(reference, "%lf", &results[read]) == 1)
        read++;
    int status = pclose(reference);
    unlink(data);
    if (WIFEXITED(status) && (WEXITSTATUS(status) == NO_MODULE || WEXITSTATUS(status) == 127))
        return false;
    assert_int_equal(read, LINES + CHANCES);
    return true;
}

static void beside_numpy_and_scipy(void **state) {
    (void)state;
    static const size_t counts[] = {1000, 501, 250};
    static const double ratios[] = {1.0, 10.0, 100.0};
    for (int i = 0; i < 3; i++) {
        float values[SPECTRUM_LONGEST];
        double expected[LINES + CHANCES];
        struct spectrum spectrum;
        draw(values, counts[i], 0.002, 0.97, 0.02);
        if (!ask_reference(values, counts[i], 0.002, expected)) {
            print_message("not run: numpy and scipy for /usr/bin/python3 are not there\n");
            skip();
        }
        spectrum_init(&spectrum, values, counts[i], 0.002, 60.0);
        for (int line = 1; line <= LINES; line++) {
            double hertz = line / spectrum_length_s(&spectrum);
            assert_near(spectrum_power(&spectrum, hertz), expected[line - 1],
                        1e-5 * expected[line - 1] + 1e-10); /* little is left of the lowest */
        }
        for (int k = 0; k < CHANCES; k++)
            assert_near(spectrum_chance(ratios[k], 1.0), expected[LINES + k], 1e-9);
    }
}

/* The peak of a sine is found again; the trend and the recovery are not taken for power. */
static void peak_of_a_sine(void **state) {
    (void)state;
    float values[SPECTRUM_LONGEST];
    struct spectrum spectrum;
    for (size_t i = 0; i < SPECTRUM_LONGEST; i++) {
        double at_s = (double)i * 0.002;
        values[i] = (float)(12.0 - 3.0 * exp(-at_s / 0.1) - 2.0 * exp(-at_s / 0.25) + at_s +
                            0.3 * sin(2.0 * PI * 7.3 * at_s + 1.0));
    }
    spectrum_init(&spectrum, values, SPECTRUM_LONGEST, 0.002, 60.0);
    assert_near(spectrum_peak(&spectrum, spectrum_power(&spectrum, 7.3)), 0.3, 0.003);
    assert_near(spectrum_peak(&spectrum, spectrum_power(&spectrum, 1.0)), 0.0, 0.01);
    assert_near(spectrum_peak(&spectrum, spectrum_power(&spectrum, 20.0)), 0.0, 0.003);
}

/*
 * First-order red noise of variance v and memory r has the power v (1 - r^2) / |1 - r e^-iw|^2 at
 * an angular frequency of w a value (textbook). Fitted under a line it is that, on average, within
 * a factor of two; with and without the line.
 */
static void noise_under_a_line(void **state) {
    (void)state;
    const double memory = 0.9;
    for (int with_line = 0; with_line < 2; with_line++) {
        double logs = 0.0;
        for (int trial = 0; trial < 40; trial++) {
            float values[SPECTRUM_LONGEST];
            struct spectrum spectrum;
            size_t count = SPECTRUM_LONGEST - (size_t)trial; /* another seed */
            draw(values, count, 0.002, memory, with_line ? 0.2 : 0.0);
            spectrum_init(&spectrum, values, count, 0.002, 60.0);
            struct spectrum_noise noise = spectrum_noise_fit(&spectrum, 6.0);
            logs += log(spectrum_noise_power(&noise, 6.0)) / 40.0;
        }
        double w = 2.0 * PI * 6.0 * 0.002;
        double power =
            0.05 * 0.05 * (1.0 - memory * memory) / (1.0 - 2.0 * memory * cos(w) + memory * memory);
        assert_near(exp(logs) / power, 1.41, 0.6); /* rather more than less: see spectrum.h */
    }
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(beside_numpy_and_scipy),
        cmocka_unit_test(peak_of_a_sine),
        cmocka_unit_test(noise_under_a_line),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
