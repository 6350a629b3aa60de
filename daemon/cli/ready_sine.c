// SPDX-License-Identifier: Apache-2.0
/*
 * ready_sine.c - a generator's sine on an input: what the board makes of it, in effective bits.
 *
 * The limits are common practice, no source.
 */
#include "ready_sine.h"

#include "page.h"
#include "print.h"
#include "samples.h"
#include "sine_fit.h"

#include <errno.h>
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define LEAST_MS      1000
#define MOST_MS       10000
#define PERIODS       20   /* to be gathered, where there is time for them */
#define LEAST_PERIODS 5.0  /* fewer say little of the frequency */
#define MOST_OF_RATE  0.4  /* above it is too near to half the rate */
#define NO_SINE_DB    10.0 /* more than a third of it is something else */
#define SMALL         0.25 /* of the span, peak to peak: hides what bends at the ends */
#define BITS_LOST     3.0  /* more than that is not the converter alone */

struct sine_test {
    const struct command_line *line;
    char *channel;
    double said_hz; /* NAN: not said */
    struct samples samples;
    const struct samples_lead *lead;
    struct sine_fit fit;
    double span; /* of the input, rail to rail, its unit; NAN: rails not known */
    double sinad_db, bits;
};

__attribute__((format(printf, 3, 4))) static void
paragraph(const struct sine_test *test, const char *first, const char *format, ...) {
    const struct page page = {.stream = test->line->json ? stderr : stdout,
                              .width = print_width(stdout)};
    va_list arguments;
    va_start(arguments, format);
    page_vsay(&page, first, format, arguments);
    va_end(arguments);
}

static int no_sine(const struct sine_test *test) {
    command_say(test->line,
                "no sine was found on %s: let a generator's stand on the input, at a frequency of "
                "less than %.3g Hz",
                test->channel, MOST_OF_RATE / test->samples.period_s);
    return -EDOM;
}

/* What makes the rest of it worthless. */
static int judge_samples(const struct sine_test *test, const struct calibration_reading *reading,
                         double hertz) {
    const struct samples_lead *lead = test->lead;
    double seconds = (double)test->samples.scans * test->samples.period_s;
    if (lead->rail_low <= lead->rail_high &&
        (reading->lowest <= lead->rail_low || reading->highest >= lead->rail_high))
        command_say(test->line,
                    "%s reaches the end of its input and is cut there: make the sine smaller, or "
                    "move its middle",
                    test->channel);
    else if (hertz * test->samples.period_s > MOST_OF_RATE)
        command_say(test->line,
                    "%.4g Hz is too fast for %.4g scans/s: at most %.3g Hz, and better a tenth of "
                    "it",
                    hertz, 1 / test->samples.period_s, MOST_OF_RATE / test->samples.period_s);
    else if (hertz * seconds < LEAST_PERIODS)
        command_say(test->line,
                    "%.4g Hz is too slow: %.0f periods at least must fit into the %.3g s that are "
                    "read at this rate",
                    hertz, LEAST_PERIODS, seconds);
    else
        return 0;
    return -ERANGE;
}

static int fit(struct sine_test *test) {
    const struct samples *samples = &test->samples;
    struct calibration_reading reading;
    samples_reading(samples, test->lead, &reading);
    double *values = calloc(samples->scans, sizeof *values);
    if (!values)
        return -ENOMEM;
    for (size_t i = 0; i < samples->scans; i++)
        values[i] = scale_value(&test->lead->scale, test->lead->counts[i]);
    double hertz = test->said_hz;
    int result = 0;
    if (isnan(hertz) && sine_guess(values, samples->scans, samples->period_s, &hertz) < 0)
        result = no_sine(test);
    if (result == 0)
        result = judge_samples(test, &reading, hertz);
    if (result == 0 &&
        (sine_fit(values, samples->scans, samples->period_s, hertz, &test->fit) < 0 ||
         sine_sinad_db(&test->fit) < NO_SINE_DB))
        result = no_sine(test);
    free(values);
    return result;
}

static void find_bits(struct sine_test *test) {
    const struct samples_lead *lead = test->lead;
    bool rails = lead->rail_low <= lead->rail_high;
    test->span = rails ? fabs(scale_value(&lead->scale, lead->rail_high) -
                              scale_value(&lead->scale, lead->rail_low))
                       : (double)NAN;
    test->sinad_db = sine_sinad_db(&test->fit);
    test->bits = sine_effective_bits(&test->fit, test->span);
    if (lead->bits > 0)
        test->bits = fmin(test->bits, lead->bits);
}

static json_t *number(double value) {
    return isfinite(value) ? json_real(value) : json_null();
}

static json_t *test_json(const struct sine_test *test) {
    const struct sine_fit *fit = &test->fit;
    return json_pack("{s:s, s:s, s:s, s:f, s:f, s:f, s:f, s:o, s:o, s:o, s:i, s:I, s:f}", "schema",
                     "cranktrap.sine/1", "channel", test->channel, "unit", test->lead->unit,
                     "frequency_hz", fit->frequency_hz, "amplitude", fit->amplitude, "offset",
                     fit->offset, "residual_rms", fit->residual, "sinad_db", number(test->sinad_db),
                     "effective_bits", number(test->bits), "span", number(test->span), "bits",
                     (int)test->lead->bits, "scans", (json_int_t)test->samples.scans, "rate_hz",
                     1 / test->samples.period_s);
}

static void print_advice(const struct sine_test *test) {
    if (test->lead->bits - test->bits > BITS_LOST)
        paragraph(test, "- ",
                  "%.1f of its %u bits are lost to noise and distortion. Not all of it need be "
                  "the board's: a generator has its own. Short leads, one ground, nothing else on "
                  "the board's supply; then measure again.",
                  test->lead->bits - test->bits, test->lead->bits);
    if (2 * test->fit.amplitude < SMALL * test->span)
        paragraph(test, "- ",
                  "The sine fills only %.0f %% of the input: what is bent at its ends does not "
                  "show.",
                  100 * 2 * test->fit.amplitude / test->span);
    double ppm = 1e6 * (test->fit.frequency_hz / test->said_hz - 1);
    if (isfinite(ppm))
        paragraph(test, "- ",
                  "Its frequency is %+.0f ppm from what was said; the generator's error is in it.",
                  ppm);
}

static void print_test(const struct sine_test *test) {
    const struct sine_fit *fit = &test->fit;
    const char *unit = test->lead->unit;
    paragraph(test, "",
              "%s: a sine of %.6g Hz, %.4g %s peak around %.4g %s; %zu samples at %.6g "
              "scans/s",
              test->channel, fit->frequency_hz, fit->amplitude, unit, fit->offset, unit,
              test->samples.scans, 1 / test->samples.period_s);
    paragraph(test, "",
              "Beside the sine %.3g %s rms are left: signal to noise and distortion %.1f dB.",
              fit->residual, unit, test->sinad_db);
    if (isfinite(test->bits))
        paragraph(test, "", "Effective bits: %.1f of %u (of the input's whole span, %.4g %s)",
                  test->bits, test->lead->bits, test->span, unit);
    else
        paragraph(test, "", "Effective bits: not known, for what the input spans is not");
    print_advice(test);
}

static int run(struct sine_test *test) {
    double wanted_ms = isnan(test->said_hz) ? LEAST_MS : 1e3 * PERIODS / test->said_hz;
    unsigned milliseconds = (unsigned)fmin(fmax(wanted_ms, LEAST_MS), MOST_MS);
    paragraph(test, "",
              "The lead off the vehicle, on a generator's output; the generator's ground on the "
              "board's. Never more than the input takes.");
    int result = samples_take(test->line, NULL, test->channel, milliseconds, &test->samples);
    if (result < 0)
        return result;
    test->lead = &test->samples.leads[0];
    result = fit(test);
    if (result == 0) {
        find_bits(test);
        if (test->line->json)
            (void)print_json(test_json(test));
        else
            print_test(test);
    }
    samples_clear(&test->samples);
    return result;
}

/* "crank-signal", "crank-signal=50", "crank-signal=50Hz". */
static bool read_option(const char *text, struct sine_test *test) {
    const char *equals = strrchr(text, '=');
    test->said_hz = (double)NAN;
    test->channel = equals ? strndup(text, (size_t)(equals - text)) : strdup(text);
    if (!test->channel || !*test->channel)
        return false;
    if (!equals)
        return true;
    char *end;
    test->said_hz = strtod(equals + 1, &end);
    end += strspn(end, " ");
    return end != equals + 1 && test->said_hz > 0 && test->said_hz < 1e9 &&
           (!*end || strcmp(end, "Hz") == 0);
}

bool ready_sine(struct command_line *line, int *status) {
    struct sine_test test = {.line = line};
    const char *text = command_option(line, "sine");
    if (!text)
        return false;
    *status = read_option(text, &test)
                  ? command_words(line, 0, 0)
                  : command_usage(line,
                                  "--sine \"%s\": say CHANNEL or CHANNEL=HZ, like "
                                  "crank-signal=50",
                                  text);
    if (*status == 0)
        *status = run(&test) < 0 ? COMMAND_COULD_NOT : COMMAND_DONE;
    free(test.channel);
    return true;
}
