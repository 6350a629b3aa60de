// SPDX-License-Identifier: Apache-2.0
/*
 * page_test.c - lines never exceed the page, and drawings show where a value lies.
 */
#include "cmocka_helper.h"
#include "page.h"
#include "strip.h"

#include <math.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static void wraps_at_the_width(void **state) {
    (void)state;
    char *text = NULL;
    size_t size = 0;
    FILE *stream = open_memstream(&text, &size);
    struct page page = {stream, 40, false, true};
    page_paragraph(&page, "- ",
                   "the feed of the crank sensor fell from 5.0 V to 0.3 V while the "
                   "battery held 10.1 V and the starter went on turning the engine");
    fclose(stream);
    size_t lines = 0;
    for (char *line = strtok(text, "\n"); line; line = strtok(NULL, "\n")) {
        assert_true(strlen(line) <= 40);
        assert_memory_equal(line, lines ? "  " : "- ", 2);
        lines++;
    }
    assert_true(lines >= 3);
    free(text);
}

static void a_character_is_one_column_whatever_its_bytes(void **state) {
    (void)state;
    char *text = NULL;
    size_t size = 0;
    FILE *stream = open_memstream(&text, &size);
    struct page page = {stream, 10, false, false};
    page_paragraph(&page, "",
                   "\xC3\xA4\xC3\xA4\xC3\xA4\xC3\xA4 \xC3\xB6\xC3\xB6\xC3\xB6\xC3\xB6\xC3\xB6");
    fclose(stream);
    assert_null(strchr(strchr(text, '\n') + 1, '\n')); /* 4 + 1 + 5 columns: one line */
    free(text);
}

/* ---- strips ---- */

struct fake {
    struct record record;
    struct vehicle vehicle;
    struct vehicle_channel channel;
    int32_t counts[100];
    const int32_t *inputs[1];
    bool given;
};

static int fake_seek(void *context, double from_s) {
    (void)from_s;
    ((struct fake *)context)->given = false;
    return 0;
}

static int fake_next(void *context, struct record_run *run) {
    struct fake *fake = context;
    if (fake->given)
        return 0;
    fake->given = true;
    fake->inputs[0] = fake->counts;
    *run = (struct record_run){
        .inputs = 1, .scans = 100, .time_s = 0, .period_s = 0.01, .counts = fake->inputs};
    return 1;
}

/* 100 scans in one second: 1 V, but 4 V in the scans 50..59. */
static void a_dip_stands_in_its_own_columns(void **state) {
    (void)state;
    struct fake fake = {.channel = {.name = "battery", .unit = "V"}};
    fake.channel.scale = scale_line(0.001, 0);
    for (int i = 0; i < 100; i++)
        fake.counts[i] = i >= 50 && i < 60 ? 4000 : 1000;
    fake.vehicle.channel_count = 1;
    fake.vehicle.channels = &fake.channel;
    fake.record = (struct record){.context = &fake,
                                  .vehicle = &fake.vehicle,
                                  .to_s = 1,
                                  .seek = fake_seek,
                                  .next = fake_next};
    struct strip strip;
    assert_int_equal(strip_fill(&fake.record, 0, 1, 10, &strip), 0);
    for (size_t column = 0; column < 10; column++) {
        double expected = column == 5 ? 4.0 : 1.0;
        assert_true(fabs(strip.low[column] - expected) < 1e-9);
        assert_true(fabs(strip.high[column] - expected) < 1e-9);
    }
    assert_true(isnan(strip.low[10]));
    assert_true(fabs(strip.lowest - 1.0) < 1e-9 && fabs(strip.highest - 4.0) < 1e-9);
}

static void draws_high_values_high(void **state) {
    (void)state;
    struct strip strip;
    for (size_t i = 0; i < STRIP_COLUMNS; i++)
        strip.low[i] = strip.high[i] = (double)NAN;
    for (size_t i = 0; i < 4; i++)
        strip.low[i] = strip.high[i] = i < 2 ? 0.0 : 5.0;
    char top[64], bottom[64];
    char *lines[2] = {top, bottom};
    strip_draw(&strip, 0, 5, 4, 2, true, lines);
    assert_string_equal(top, " \"  ");
    assert_string_equal(bottom, "_   ");
    strip_draw(&strip, 0, 5, 4, 2, false, lines);
    assert_string_equal(top, " \xE2\xA0\x89  ");    /* U+2809: both upper dots */
    assert_string_equal(bottom, "\xE2\xA3\x80   "); /* U+28C0: both lower dots */
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(wraps_at_the_width),
        cmocka_unit_test(a_character_is_one_column_whatever_its_bytes),
        cmocka_unit_test(a_dip_stands_in_its_own_columns),
        cmocka_unit_test(draws_high_values_high),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
