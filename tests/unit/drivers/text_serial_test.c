// SPDX-License-Identifier: Apache-2.0
/*
 * text_serial_test.c - the driver text-serial: what people's boards print, and what a bad line
 * makes of it.
 */
#include "cmocka_helper.h"
#include "drivers.h"
#include "stream_helper.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const struct board_driver *text(void) {
    return drivers_find("text-serial");
}

/* Opens with two more settings, joined at a line's beginning. */
static struct stream *open_text(const char *one, const char *other) {
    struct stream *stream = stream_open(text(), "rate=100", one, other, NULL);
    stream_text(stream, "\n");
    stream_forget(stream);
    return stream;
}

/* What `lines` say to a board of these columns. */
static void assert_told(const char *columns, const char *lines, const char *expected) {
    struct stream *stream = open_text(columns, NULL);
    stream_text(stream, lines);
    assert_string_equal(stream->told, expected);
    stream_close(stream);
    stream = open_text(columns, NULL); /* and byte by byte */
    stream_pieces(stream, (const uint8_t *)lines, strlen(lines), 1);
    assert_string_equal(stream->told, expected);
    stream_close(stream);
}

static void separators_and_line_ends_of_all_kinds(void **state) {
    (void)state;
    static const char *const separators[] = {",",   ";",   "\t",   " ",  ", ",
                                             " ; ", "   ", "\t\t", ",\t"};
    static const char *const ends[] = {"\n", "\r\n", "\r", "\n\r", " \r\n", "\n\n\n"};
    for (size_t i = 0; i < sizeof separators / sizeof separators[0]; i++)
        for (size_t k = 0; k < sizeof ends / sizeof ends[0]; k++) {
            char lines[200];
            snprintf(lines, sizeof lines, "1%s2%s3%s  10%s20%s30%s", separators[i], separators[i],
                     ends[k], separators[i], separators[i], ends[k]);
            assert_told("columns=0,1,2", lines, "1,2,3;10,20,30;");
        }
}

static void a_separator_at_the_end_is_no_column(void **state) {
    (void)state;
    assert_told("columns=0,1", "1,2,\n3;4; \n5\t6\t\n7,8,9,\n", "1,2;3,4;5,6;lost 1 damaged;");
}

static void columns_may_stand_in_any_order(void **state) {
    (void)state;
    assert_told("columns=1,-,0", "5,hello,6\n7,1.5e3,8\n9,,1\n", "6,5;8,7;lost 1 damaged;");
    assert_told("columns=-,0,1", "A:,5,6\nB:,7,8\n", "5,6;7,8;");
}

static void three_lines_alike_tell_the_columns(void **state) {
    (void)state;
    struct stream *stream = open_text(NULL, NULL);
    struct board_description description;
    assert_int_equal(text()->describe(stream->board, &description), -EAGAIN);
    assert_int_equal(stream_text(stream, "battery,feed\n1,2\n1,2,3\n"), BOARD_RESYNC);
    assert_int_equal(stream_text(stream, "4,5\n4,5\n#\n"), BOARD_RESYNC);
    assert_int_equal(text()->describe(stream->board, &description), -EAGAIN);
    assert_int_equal(stream_text(stream, "6,7\n"), BOARD_OK);
    assert_int_equal(stream_text(stream, "8,9\n10,11\n"), BOARD_OK);
    assert_string_equal(stream->told, "described;8,9;10,11;");
    assert_int_equal(stream->description.inputs, 2);
    assert_true(fabs(stream->description.rate_hz - 100) < 1e-12);
    assert_int_equal(stream->description.rail_high[1], 1023);
    assert_int_equal(stream->description.rail_low[1], 0);
    assert_true(isnan(stream->description.volts_per_count[0]));
    assert_true(isnan(stream->description.skew_s));
    stream_close(stream);
}

static void headings_and_comments_are_passed_over(void **state) {
    (void)state;
    assert_told("columns=0,1",
                "Ready. Version 2\n# 10,20\n1,2\nA0,A1\n\"t [s]\",\"V\"\n// restarted\n\n3,4\n"
                "=====\n*** 5 ***\n% x\n5,6\n",
                "1,2;3,4;5,6;");
}

static void the_first_line_may_be_cut(void **state) {
    (void)state;
    struct stream *stream = stream_open(text(), "rate=100", "columns=0,1", NULL);
    assert_int_equal(stream_text(stream, "2,34\n"), BOARD_RESYNC); /* perhaps it was 12,34 */
    assert_int_equal(stream_text(stream, "12,35\n"), BOARD_OK);
    assert_string_equal(stream->told, "12,35;");
    stream_close(stream);
}

static void a_wrong_line_is_one_damaged_scan_in_its_place(void **state) {
    (void)state;
    static const char *const wrong[] = {
        "3",          "3,4,5",  "3,",    ",3",          "3,,4",   "3,4,,",
        "3 4 , 5",    "3,x4",   "3,4x",  "3,1024",      "3,-1",   "3;4;5",
        "3,\x80\x34", "\xFF,4", "3.5,4", "3,4.0",       "3,0x10", "--3,4",
        "3,+-4",      "3,.",    "3,-",   "3,1\x01\x32", "3e1,4",  "3,99999999999999999999",
    };
    for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++) {
        struct stream *stream = open_text("columns=0,1", NULL);
        stream_text(stream, "1,2\n");
        stream_text(stream, wrong[i]);
        assert_int_equal(stream_text(stream, "\n"), BOARD_INSANE_VALUE);
        assert_int_equal(stream_text(stream, "5,6\n"), BOARD_OK);
        assert_string_equal(stream->told, "1,2;lost 1 damaged;5,6;");
        stream_close(stream);
    }
}

static void before_the_first_scan_nothing_is_lost(void **state) {
    (void)state;
    assert_told("columns=0,1", "x,y\n3\n4,5,6\n1,2\n", "1,2;");
}

static void an_overlong_line_is_a_bad_length(void **state) {
    (void)state;
    struct stream *stream = open_text("columns=0,1", NULL);
    stream_text(stream, "1,2\n");
    for (int i = 0; i < 300; i++)
        stream_text(stream, "7,8,9,");
    assert_int_equal(stream_text(stream, "1\n"), BOARD_BAD_LENGTH);
    assert_true(stream->results[BOARD_BAD_LENGTH] > 1); /* told while it lasts, too */
    stream_text(stream, "3,4\n");
    assert_string_equal(stream->told, "1,2;lost 1 damaged;3,4;");
    stream_close(stream);
}

static void the_widest_board_fits(void **state) {
    (void)state;
    struct stream *stream = stream_open(text(), "rate=100", "decimals=3", NULL);
    stream_text(stream, "\n");
    char line[800];
    size_t used = 0;
    for (int i = 0; i < BOARD_INPUTS_MAX; i++)
        used += (size_t)sprintf(line + used, "%s-1234.567", i ? "," : "");
    memcpy(line + used, "\n", 2);
    for (int i = 0; i < 4; i++)
        stream_text(stream, line);
    assert_int_equal(stream->description.inputs, BOARD_INPUTS_MAX);
    assert_int_equal(stream->scans, 1);
    stream_close(stream);
}

static void decimals_are_exact(void **state) {
    (void)state;
    struct stream *stream = open_text("columns=0,1", "decimals=3");
    stream_text(stream, "12.61,0.001\n-0.5,+5\n.25,3.\n-12.345,0\n1.2345,0\n2147483.647,0\n"
                        "2147483.648,0\n-2147483.648,-0.000\n");
    assert_string_equal(stream->told,
                        "12610,1;-500,5000;250,3000;-12345,0;lost 1 damaged;2147483647,0;"
                        "lost 1 damaged;-2147483648,0;");
    struct board_description description;
    assert_int_equal(text()->describe(stream->board, &description), 0);
    assert_true(fabs(description.volts_per_count[0] - 0.001) < 1e-15);
    assert_true(description.rail_low[0] > description.rail_high[0]); /* not known */
    stream_close(stream);
}

static void the_range_follows_bits_and_sign(void **state) {
    (void)state;
    struct stream *stream =
        stream_open(text(), "rate=100", "columns=0", "bits=12", "signed=yes", NULL);
    stream_text(stream, "\n-2048\n2047\n-2049\n2048\n0\n");
    assert_string_equal(stream->told, "-2048;2047;lost 1 damaged;lost 1 damaged;0;");
    assert_int_equal(stream->description.bits[0], 12);
    stream_close(stream);
}

/* ---- a counter ---- */

#define COUNTED "columns=counter,0"

static void missing_lines_are_exact_losses(void **state) {
    (void)state;
    assert_told(COUNTED, "7,1\n8,2\n9,3\n", "1;2;3;");
    assert_told(COUNTED, "7,1\n10,4\n11,5\n", "1;lost 2 packet lost;4;5;");
    assert_told(COUNTED, "7,1\nx,2\n9,3\n10,4\n", "1;lost 1 damaged;3;4;");
    assert_told(COUNTED, "7,1\n8,2,3\n9,\n10,4\n11,5\n12,6\n", "1;lost 2 damaged;4;5;6;");
}

static void a_line_twice_costs_nothing(void **state) {
    (void)state;
    assert_told(COUNTED, "7,1\n7,1\n8,2\n8,2\n8,2\n9,3\n", "1;2;3;");
    assert_told(COUNTED, "7,1\n10,4\n10,4\n11,5\n", "1;lost 2 packet lost;4;5;");
}

static void a_wrong_counter_is_found_out_by_the_next_line(void **state) {
    (void)state;
    assert_told(COUNTED, "7,1\n800,2\n9,3\n10,4\n", "1;lost 1 damaged;3;4;");
    assert_told(COUNTED, "7,1\n0,2\n9,3\n10,4\n", "1;lost 1 damaged;3;4;");
    assert_told(COUNTED, "70,1\n7,2\n72,3\n73,4\n", "1;lost 1 damaged;3;4;");
    assert_told(COUNTED, "70,1\n700,2\n6,3\n73,4\n74,5\n", "1;lost 2 damaged;4;5;");
}

static void losses_every_other_line_stay_exact(void **state) {
    (void)state;
    assert_told(COUNTED, "10,1\n12,2\n14,3\n16,4\n17,5\n",
                "1;lost 1 packet lost;2;lost 1 packet lost;3;lost 1 packet lost;4;5;");
    assert_told(COUNTED, "10,1\n20,2\n30,3\n40,4\n41,5\n",
                "1;lost 9 packet lost;2;lost 9 packet lost;3;lost 9 packet lost;4;5;");
}

static void a_restart_is_a_loss_of_unknown_size(void **state) {
    (void)state;
    assert_told(COUNTED, "5000,1\n0,2\n1,3\n2,4\n", "1;lost ? board restarted;2;3;4;");
    assert_told(COUNTED, "5000,1\nReady\n0,2\n1,3\n", "1;lost ? board restarted;2;3;");
    assert_told(COUNTED, "5,1\n900000000,2\n900000001,3\n", "1;lost ? board restarted;2;3;");
}

static void counters_wrap_at_16_and_32_bits(void **state) {
    (void)state;
    assert_told(COUNTED, "65534,1\n65535,2\n0,3\n1,4\n", "1;2;3;4;");
    assert_told(COUNTED, "65534,1\n2,5\n3,6\n", "1;lost 3 packet lost;5;6;");
    assert_told(COUNTED, "32767,1\n-32768,2\n-32767,3\n", "1;2;3;");
    assert_told(COUNTED, "4294967295,1\n0,2\n1,3\n", "1;2;3;");
    assert_told(COUNTED, "2147483647,1\n-2147483648,2\n-2147483647,3\n", "1;2;3;");
}

/* ---- a time ---- */

static void a_time_column_tells_losses(void **state) {
    (void)state;
    /* 100 lines a second; the default unit is a millisecond. */
    assert_told("columns=time,0", "1000,1\n1010,2\n1021,3\n1029,4\n1040,5\n", "1;2;3;4;5;");
    assert_told("columns=time,0", "1000,1\n1040,5\n1050,6\n", "1;lost 3 packet lost;5;6;");
    assert_told("columns=time,0", "1000,1\n0,2\n10,3\n", "1;lost ? board restarted;2;3;");
    struct stream *stream = open_text("columns=0,time", "time-unit=s");
    stream_text(stream, "1,0.99\n2,1.00\n5,1.030001\n6,1.04\n");
    assert_string_equal(stream->told, "1;2;lost 2 packet lost;5;6;");
    stream_close(stream);
    stream = open_text("columns=0,time", "time-unit=us"); /* 32 bits of microseconds: 71 minutes */
    stream_text(stream, "1,4294960000\n2,2704\n3,12704\n");
    assert_string_equal(stream->told, "1;2;3;");
    stream_close(stream);
}

/* ---- settings ---- */

static void assert_refused(const char *name, const char *value, const char *part) {
    struct board_setting setting[] = {{"rate", "100"}, {name, value}};
    struct board_settings settings = {.count = 2, .setting = setting};
    struct board_sinks sinks = {0};
    struct board *board = NULL;
    char why[200] = "";
    assert_int_equal(text()->open(&settings, &sinks, &board, why, sizeof why), -EINVAL);
    assert_null(board);
    assert_non_null(strstr(why, part));
    assert_int_equal(text()->open(&settings, &sinks, &board, NULL, 0), -EINVAL);
}

static void wrong_settings_say_why(void **state) {
    (void)state;
    assert_refused("columns", "0,2", "each input from 0 up");
    assert_refused("columns", "0,0", "each input from 0 up");
    assert_refused("columns", "counter", "each input from 0 up");
    assert_refused("columns", "0,volts", "'volts'");
    assert_refused("columns", "0,64", "'64'");
    assert_refused("columns", "counter,time,0", "'time'");
    struct board_settings none = {0};
    struct board_sinks sinks = {0};
    struct board *board = NULL;
    char why[200] = "";
    assert_int_equal(text()->open(&none, &sinks, &board, why, sizeof why), -EINVAL);
    assert_non_null(strstr(why, "rate"));
}

static void start_begins_at_a_line(void **state) {
    (void)state;
    struct stream *stream = open_text(COUNTED, NULL);
    stream_text(stream, "1,1\n2,2\n3,");
    struct board_bytes request;
    assert_int_equal(text()->start(stream->board, &request), 0);
    assert_int_equal(request.count, 0);
    stream_text(stream, "9,9\n90,4\n91,5\n");
    assert_string_equal(stream->told, "1;2;4;5;");
    stream_close(stream);
}

static void garbage_gives_no_scan_out_of_range(void **state) {
    (void)state;
    struct stream *stream = open_text("columns=0,1", NULL);
    stream_text(stream, "1,2\n");
    uint32_t seed = 3;
    for (int i = 0; i < 100000; i++) {
        seed = seed * 1664525u + 1013904223u;
        uint8_t byte = (uint8_t)(seed >> 24);
        stream_bytes(stream, &byte, 1);
        if (stream->used > sizeof stream->told / 2)
            stream_forget(stream);
    }
    assert_int_equal(stream->unknown, 0);
    assert_true(stream->lost > 100); /* lines there were, and they were told */
    stream_close(stream);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(separators_and_line_ends_of_all_kinds),
        cmocka_unit_test(a_separator_at_the_end_is_no_column),
        cmocka_unit_test(columns_may_stand_in_any_order),
        cmocka_unit_test(three_lines_alike_tell_the_columns),
        cmocka_unit_test(headings_and_comments_are_passed_over),
        cmocka_unit_test(the_first_line_may_be_cut),
        cmocka_unit_test(a_wrong_line_is_one_damaged_scan_in_its_place),
        cmocka_unit_test(before_the_first_scan_nothing_is_lost),
        cmocka_unit_test(an_overlong_line_is_a_bad_length),
        cmocka_unit_test(the_widest_board_fits),
        cmocka_unit_test(decimals_are_exact),
        cmocka_unit_test(the_range_follows_bits_and_sign),
        cmocka_unit_test(missing_lines_are_exact_losses),
        cmocka_unit_test(a_line_twice_costs_nothing),
        cmocka_unit_test(a_wrong_counter_is_found_out_by_the_next_line),
        cmocka_unit_test(losses_every_other_line_stay_exact),
        cmocka_unit_test(a_restart_is_a_loss_of_unknown_size),
        cmocka_unit_test(counters_wrap_at_16_and_32_bits),
        cmocka_unit_test(a_time_column_tells_losses),
        cmocka_unit_test(wrong_settings_say_why),
        cmocka_unit_test(start_begins_at_a_line),
        cmocka_unit_test(garbage_gives_no_scan_out_of_range),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
