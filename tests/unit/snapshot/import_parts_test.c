// SPDX-License-Identifier: Apache-2.0
/*
 * import_parts_test.c - rows out of bytes, decimals out of text, an even grid out of times.
 */
#include "cmocka_helper.h"
#include "import_decimal.h"
#include "import_grid.h"
#include "import_rows.h"

#include <errno.h>
#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* ---- decimals ---- */

static void decimals_are_exact(void **state) {
    (void)state;
    static const struct {
        const char *text;
        int64_t mantissa;
        int exponent, rounded;
    } cases[] = {
        {"0", 0, 0, 0},
        {"-0.000", 0, 0, 0},
        {"0e-300", 0, 0, 0},
        {"4.98", 498, -2, 0},
        {"4.980000", 498, -2, 0},
        {"-4.98", -498, -2, 0},
        {"+12.", 12, 0, 0},
        {".5", 5, -1, 0},
        {"1200", 12, 2, 0},
        {"1200.0", 12, 2, 0},
        {"0.0012e3", 12, -1, 0},
        {"1.25E+2", 125, 0, 0},
        {"1e-12", 1, -12, 0},
        {"100000000000000000000000", 1, 23, 0},
        {"0.1000000000000000000000000", 1, -1, 0},
        {"999999999999999999", 999999999999999999, 0, 0},
        {"1.2345678901234567891", 123456789012345678, -17, 1},
        {"5.000000000000000278e+00", 500000000000000027, -17, 1},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct import_decimal decimal = {7, 7, 7};
        int result = import_decimal_read(cases[i].text, strlen(cases[i].text), &decimal);
        if (result || decimal.mantissa != cases[i].mantissa ||
            decimal.exponent != cases[i].exponent || decimal.rounded != cases[i].rounded)
            fail_msg("\"%s\": %d, %" PRId64 " * 10^%d, rounded %d", cases[i].text, result,
                     decimal.mantissa, decimal.exponent, decimal.rounded);
    }
}

static void what_is_no_decimal(void **state) {
    (void)state;
    static const char *const texts[] = {"",      "-",    ".",    "e5",    "1e",  "1e+", "nan",
                                        "inf",   "0x10", "4,98", "1.2.3", "1 2", "--1", "1-",
                                        "1e5.5", "NaN",  "-inf", "1_000", "1e5x"};
    for (size_t i = 0; i < sizeof texts / sizeof texts[0]; i++) {
        struct import_decimal decimal = {7, 7, 7};
        if (import_decimal_read(texts[i], strlen(texts[i]), &decimal) != -EINVAL ||
            decimal.mantissa != 7)
            fail_msg("\"%s\" was taken for a number", texts[i]);
    }
    struct import_decimal decimal;
    assert_int_equal(import_decimal_read("1e301", 5, &decimal), -ERANGE);
    assert_int_equal(import_decimal_read("1e-99999999999", 14, &decimal), -ERANGE);
}

/* A whole number written with a point and an exponent comes back as it was. */
static void decimals_come_back(void **state) {
    (void)state;
    uint64_t random = 5;
    for (int i = 0; i < 20000; i++) {
        random = random * 6364136223846793005u + 1442695040888963407u;
        int64_t number = (int64_t)(random >> 20) % 2000000000000;
        number = random & 1 ? -number : number;
        int places = (int)(random >> 48) % 10;
        int exponent = (int)(random >> 54) % 9 - 4;
        int64_t power = 1;
        for (int k = 0; k < places; k++)
            power *= 10;
        char text[80];
        int length = snprintf(text, sizeof text, "%s%" PRId64 ".%0*" PRId64 "e%d",
                              number < 0 ? "-" : "", labs(number) / power, places ? places : 1,
                              places ? labs(number) % power : 0, exponent);
        struct import_decimal decimal;
        int64_t whole = 0;
        assert_int_equal(import_decimal_read(text, (size_t)length, &decimal), 0);
        assert_int_equal(import_decimal_whole(&decimal, places - exponent, &whole), 0);
        if (whole != number)
            fail_msg("\"%s\" came back as %" PRId64, text, whole);
        /* The C library's own reading, which rounds once. */
        double reference = strtod(text, NULL);
        assert_true(fabs(import_decimal_double(&decimal) - reference) <= 3e-16 * fabs(reference));
    }
}

static void whole_numbers_or_nothing(void **state) {
    (void)state;
    struct import_decimal decimal = {498, -2, 0};
    int64_t whole = 7;
    assert_int_equal(import_decimal_whole(&decimal, 1, &whole), -ERANGE);
    assert_int_equal(whole, 7);
    assert_int_equal(import_decimal_whole(&decimal, 2, &whole), 0);
    assert_int_equal(whole, 498);
    assert_int_equal(import_decimal_whole(&decimal, 17, &whole), 0);
    assert_int_equal(import_decimal_whole(&decimal, 18, &whole), -ERANGE);
}

/* ---- rows ---- */

/* Everything that came out, as text: fields between bars, each row with its line. */
struct heard {
    char text[4096];
    size_t length;
};

static void hear(struct heard *heard, const char *text) {
    heard->length += (size_t)snprintf(heard->text + heard->length,
                                      sizeof heard->text - heard->length, "%s", text);
    assert_true(heard->length < sizeof heard->text);
}

static int hear_row(void *context, const struct import_row *row) {
    char line[16];
    snprintf(line, sizeof line, "%u:", row->line);
    hear(context, line);
    for (size_t i = 0; i < row->count && i < IMPORT_FIELDS_MAX; i++) {
        assert_int_equal(strlen(row->field[i].text), row->field[i].length);
        hear(context, row->field[i].text);
        hear(context, i + 1 < row->count ? "|" : "\n");
    }
    return 0;
}

static int hear_broken(void *context, unsigned line, const char *what) {
    char text[200];
    snprintf(text, sizeof text, "%u!%s\n", line, what);
    hear(context, text);
    return 0;
}

/* Feeds the text in pieces of every size: where they are cut must not matter. */
static void assert_rows(const char *text, const char *expected) {
    size_t length = strlen(text);
    for (size_t piece = 1; piece <= length; piece++) {
        struct heard heard = {0};
        struct import_rows_sinks sinks = {&heard, hear_row, hear_broken};
        struct import_rows *rows = NULL;
        assert_int_equal(import_rows_new(&sinks, &rows), 0);
        for (size_t at = 0; at < length; at += piece)
            assert_int_equal(
                import_rows_push(rows, text + at, at + piece < length ? piece : length - at), 0);
        assert_int_equal(import_rows_finish(rows), 0);
        import_rows_free(rows);
        assert_string_equal(heard.text, expected);
    }
}

static void rows_of_rfc_4180(void **state) {
    (void)state;
    assert_rows("a,b\n1,2\n", "1:a|b\n2:1|2\n");
    assert_rows("a,b\r\n1,2\r\n", "1:a|b\n2:1|2\n");
    assert_rows("a,b\n1,2", "1:a|b\n2:1|2\n");
    assert_rows("\xef\xbb\xbf"
                "a,b\n",
                "1:a|b\n");
    assert_rows("\"a\",\"b,\"\"c\"\"\"\n", "1:a|b,\"c\"\n");
    assert_rows("\"two\nlines\",x\ny,z\n", "1:two\nlines|x\n3:y|z\n");
    assert_rows(" 1 ,\t2 \n", "1:1|2\n");
    assert_rows(",\n", "1:|\n");
    assert_rows("1,2\n\n\r\n  \n3,4\n\n", "1:1|2\n5:3|4\n");
    assert_rows("", "");
}

/* Not in the RFC: what `convert` and many other programs write before and behind the rows. */
static void remarks_are_passed_over(void **state) {
    (void)state;
    assert_rows("# van, \"bay\r 2\n#\r\na,b\n#1,2\n1,2\n# end", "3:a|b\n5:1|2\n");
    assert_rows("a#,#\n", "1:a#|#\n");
    assert_rows("\xef\xbb\xbf#x\na\n", "2:a\n");
    assert_rows("\"a\n#b\"\n", "1:a\n#b\n");
}

static void broken_rows(void **state) {
    (void)state;
    assert_rows("a\"b,c\n1,2\n", "1!a quote stands inside a field without quotes\n2:1|2\n");
    assert_rows("\"a\"b\n", "1!text stands after a closing quote: a quote inside a quoted field is "
                            "written twice\n");
    assert_rows("1\n\"a\n2\n", "1:1\n2!a quoted field has no closing quote\n");
    assert_rows("1\r2\n3\n", "1!a carriage return stands alone: lines end with LF or CRLF\n2:3\n");
}

static int count_row(void *context, const struct import_row *row) {
    size_t *count = context;
    *count = row->count;
    return 0;
}

static int count_broken(void *context, unsigned line, const char *what) {
    (void)line;
    assert_non_null(strstr(what, "longer than"));
    size_t *count = context;
    *count = 77;
    return 0;
}

static void rows_are_bounded(void **state) {
    (void)state;
    size_t count = 0;
    struct import_rows_sinks sinks = {&count, count_row, count_broken};
    struct import_rows *rows = NULL;
    assert_int_equal(import_rows_new(&sinks, &rows), 0);
    for (int i = 0; i < 999; i++)
        assert_int_equal(import_rows_push(rows, "1,", 2), 0);
    assert_int_equal(import_rows_push(rows, "1\n", 2), 0);
    assert_int_equal(count, 1000); /* counted, though only the first are kept */
    for (int i = 0; i < 100000; i++)
        assert_int_equal(import_rows_push(rows, "x", 1), 0);
    assert_int_equal(import_rows_finish(rows), 0);
    assert_int_equal(count, 77);
    import_rows_free(rows);
}

/* ---- the grid ---- */

#define ROWS 200000

/* Times of scan n: even, off by `ppm`, in steps of `written` seconds (0: not rounded). */
static double time_of(uint64_t scan, double rate_hz, double ppm, double written) {
    double time_s = (double)scan / rate_hz * (1 + ppm * 1e-6);
    return written > 0 ? round(time_s / written) * written : time_s;
}

static void assert_follows(double rate_hz, double ppm, double written) {
    static double first[1024];
    for (size_t i = 0; i < 1024; i++)
        first[i] = time_of(i, rate_hz, ppm, written);
    struct import_grid grid;
    import_grid_begin(&grid, import_grid_period(first, 1024));
    for (uint64_t scan = 0; scan < ROWS; scan++) {
        struct import_step step;
        enum import_place place =
            import_grid_place(&grid, time_of(scan, rate_hz, ppm, written), &step);
        if (place != IMPORT_PLACED || step.missing || grid.scan != scan)
            fail_msg("%g Hz, %g ppm, written to %g s: row %" PRIu64 " became scan %" PRIu64
                     ", %d, off by %g",
                     rate_hz, ppm, written, scan, grid.scan, (int)place, step.deviation);
    }
    double error = fabs(grid.time_s - time_of(ROWS - 1, rate_hz, ppm, 0)) * rate_hz;
    assert_true(error < 0.1);
}

static void the_grid_follows(void **state) {
    (void)state;
    assert_follows(1000, 0, 0);
    assert_follows(10000, 0, 1e-4);
    assert_follows(3000, 0, 1e-4); /* 0.333 ms written as 0.3 and 0.4 ms */
    assert_follows(44100, 0, 1e-6);
    assert_follows(250, 100, 1e-3);
    assert_follows(0.5, 0, 0);
}

static void a_clock_that_drifts(void **state) {
    (void)state;
    /* The board warms up: its clock gains 50 ppm over the record, 5 rows in the end. */
    struct import_grid grid;
    import_grid_begin(&grid, 1e-3);
    double time_s = 0;
    for (uint64_t scan = 0; scan < ROWS; scan++) {
        struct import_step step;
        assert_int_equal(import_grid_place(&grid, time_s, &step), IMPORT_PLACED);
        assert_int_equal(grid.scan, scan);
        time_s += 1e-3 * (1 - 50e-6 * (double)scan / ROWS);
    }
}

static void missing_rows_are_counted(void **state) {
    (void)state;
    struct import_grid grid;
    struct import_step step;
    import_grid_begin(&grid, 0.001);
    for (uint64_t scan = 0; scan < 5000; scan++) {
        bool missing = (scan >= 100 && scan < 117) || (scan >= 2000 && scan < 4500);
        if (missing)
            continue;
        assert_int_equal(import_grid_place(&grid, 7 + 0.001 * (double)scan, &step), IMPORT_PLACED);
        assert_int_equal(step.missing, scan == 117 ? 17 : scan == 4500 ? 2500 : 0);
        assert_int_equal(grid.scan, scan);
    }
}

static void wrong_times_are_seen(void **state) {
    (void)state;
    struct import_grid grid;
    struct import_step step;
    import_grid_begin(&grid, 1);
    assert_int_equal(import_grid_place(&grid, 0, &step), IMPORT_PLACED);
    assert_int_equal(import_grid_place(&grid, 1, &step), IMPORT_PLACED);
    assert_int_equal(import_grid_place(&grid, 1, &step), IMPORT_SAME_TIME);
    assert_int_equal(import_grid_place(&grid, 0.5, &step), IMPORT_BACKWARDS);
    assert_int_equal(import_grid_place(&grid, 2.2, &step), IMPORT_PLACED);
    assert_int_equal(import_grid_place(&grid, 3.5, &step), IMPORT_UNEVEN);
    assert_int_equal(import_grid_place(&grid, 4.5, &step), IMPORT_PLACED);
    assert_int_equal(import_grid_place(&grid, 4.6, &step), IMPORT_UNEVEN);
    /* After a break of more than 100 periods the phase is anybody's guess: no fault of the row. */
    assert_int_equal(import_grid_place(&grid, 1004.3, &step), IMPORT_PLACED);
    assert_int_equal(step.missing, 999); /* 999.7 periods: 1000 */
}

static void a_period_from_few_rows(void **state) {
    (void)state;
    static const double two[] = {3, 3.5};
    static const double jump[] = {0, 1, 2, 12, 13};
    static const double none[] = {1, 1, 0};
    static const double wrong_step[] = {0, 1, 2, 3, 4, 5, 6, 7, 8.4, 9.4};
    /* 3000 a second, written to a tenth of a millisecond. */
    static const double coarse[] = {0,      0.0003, 0.0007, 0.0010, 0.0013, 0.0017, 0.0020,
                                    0.0023, 0.0027, 0.0030, 0.0033, 0.0037, 0.0040, 0.0043};
    assert_true(fabs(import_grid_period(two, 2) - 0.5) < 1e-15);
    assert_true(fabs(import_grid_period(jump, 5) - 1) < 1e-15);
    assert_true(fabs(import_grid_period(none, 3)) <= 0);
    assert_true(fabs(import_grid_period(wrong_step, 10) - 1) < 1e-12);
    assert_true(fabs(import_grid_period(coarse, 14) - 1.0 / 3000) < 0.02 / 3000);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(decimals_are_exact),
        cmocka_unit_test(what_is_no_decimal),
        cmocka_unit_test(decimals_come_back),
        cmocka_unit_test(whole_numbers_or_nothing),
        cmocka_unit_test(rows_of_rfc_4180),
        cmocka_unit_test(remarks_are_passed_over),
        cmocka_unit_test(broken_rows),
        cmocka_unit_test(rows_are_bounded),
        cmocka_unit_test(the_grid_follows),
        cmocka_unit_test(a_clock_that_drifts),
        cmocka_unit_test(missing_rows_are_counted),
        cmocka_unit_test(wrong_times_are_seen),
        cmocka_unit_test(a_period_from_few_rows),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
