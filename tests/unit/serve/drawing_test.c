// SPDX-License-Identifier: Apache-2.0
/*
 * drawing_test.c - columns beside what a plain look at every sample gives: out of the record, and
 * out of a finer drawing of it.
 */
#include "cmocka_helper.h"
#include "drawing.h"

#include <math.h>
#include <stdlib.h>

#define SAMPLES  300000
#define RUN      7001
#define PERIOD_S 1e-4
#define BEGIN_S  0.25

/* Samples of one channel with rare spikes, and a hole of a second. */
struct tape {
    int32_t counts[SAMPLES];
    const int32_t *inputs[1];
    size_t next;
};

static double time_of(size_t sample) {
    return BEGIN_S + (double)sample * PERIOD_S + (sample >= SAMPLES / 2 ? 1 : 0);
}

static int seek(void *context, double from_s) {
    struct tape *tape = context;
    tape->next = 0;
    while (tape->next + RUN < SAMPLES && time_of(tape->next + RUN) <= from_s)
        tape->next += RUN;
    return 0;
}

/* Runs end at the hole. */
static int next(void *context, struct record_run *run) {
    struct tape *tape = context;
    if (tape->next >= SAMPLES)
        return 0;
    size_t end = tape->next + RUN < SAMPLES ? tape->next + RUN : SAMPLES;
    if (tape->next < SAMPLES / 2 && end > SAMPLES / 2)
        end = SAMPLES / 2;
    tape->inputs[0] = tape->counts + tape->next;
    *run = (struct record_run){.inputs = 1,
                               .scans = end - tape->next,
                               .time_s = time_of(tape->next),
                               .period_s = PERIOD_S,
                               .counts = tape->inputs};
    tape->next = end;
    return 1;
}

static size_t no_losses(void *context, const struct record_loss **losses) {
    (void)context;
    *losses = NULL;
    return 0;
}

static struct tape tape;
static struct vehicle_channel channel = {.name = "battery", .unit = "V"};
static struct vehicle vehicle = {.channels = &channel, .channel_count = 1};
static const struct record record = {.context = &tape,
                                     .vehicle = &vehicle,
                                     .from_s = BEGIN_S,
                                     .to_s = BEGIN_S + SAMPLES * PERIOD_S + 1,
                                     .seek = seek,
                                     .next = next,
                                     .losses = no_losses};

static int fill(void **state) {
    (void)state;
    channel.scale = scale_line(0.5, -10);
    for (size_t i = 0; i < SAMPLES; i++) {
        uint32_t mixed = (uint32_t)i * 2654435761u;
        tape.counts[i] = (int32_t)(i / 1000 % 97) + (int32_t)(mixed >> 29) +
                         (mixed % 9973 == 0 ? (int32_t)(mixed >> 20) - 2000 : 0);
    }
    return 0;
}

struct expected {
    double low, high, sum;
    size_t count;
};

static struct expected look(double from_s, double to_s) {
    struct expected expected = {.low = (double)INFINITY, .high = -(double)INFINITY};
    double first = (from_s - BEGIN_S - 1) / PERIOD_S; /* or later: before the hole */
    for (size_t i = first > 0 ? (size_t)first : 0; i < SAMPLES && time_of(i) < to_s; i++) {
        if (time_of(i) < from_s)
            continue;
        double value = 0.5 * tape.counts[i] - 10;
        expected.low = fmin(expected.low, value);
        expected.high = fmax(expected.high, value);
        expected.sum += value;
        expected.count++;
    }
    return expected;
}

static double number(const json_t *lane, const char *key, size_t column) {
    const json_t *value = json_array_get(json_object_get(lane, key), column);
    return json_is_number(value) ? json_number_value(value) : (double)NAN;
}

/* Every column: at least what lies `beside` within it, at most what lies `beside` around it. */
static void check_columns(const json_t *json, const struct drawing_wish *wish, double beside) {
    const json_t *lane = json_array_get(json_object_get(json, "channels"), 0);
    double width = (wish->to_s - wish->from_s) / (double)wish->columns;
    for (size_t i = 0; i < wish->columns; i++) {
        double from_s = wish->from_s + (double)i * width;
        /* A sample at a column's edge may be of either. */
        double margin = beside * width + PERIOD_S * 1e-6;
        struct expected own = look(from_s + margin, from_s + width - margin);
        struct expected wide = look(from_s - margin, from_s + width + margin);
        double low = number(lane, "low", i);
        double high = number(lane, "high", i);
        if (own.count)
            assert_true(low <= own.low + 1e-6 && high >= own.high - 1e-6);
        if (wide.count == 0)
            assert_true(isnan(low) && isnan(high));
        else if (!isnan(low))
            assert_true(low >= wide.low - 1e-6 && high <= wide.high + 1e-6);
        if (beside <= 0 && own.count && own.count == wide.count)
            assert_true(fabs(number(lane, "mean", i) - own.sum / (double)own.count) < 1e-4);
    }
}

static const struct drawing_wish whole = {.from_s = BEGIN_S, .to_s = 31.25, .columns = 20000};
static const struct drawing_wish wishes[] = {
    {.from_s = 0, .to_s = 32, .columns = 37},
    {.from_s = 1.23456, .to_s = 31, .columns = 1000},
    {.from_s = 14.9, .to_s = 16.6, .columns = 300},
    {.from_s = 20.00005, .to_s = 20.5, .columns = 200},
};
enum { WISHES = sizeof wishes / sizeof *wishes };

static void out_of_the_record(void **state) {
    (void)state;
    for (size_t i = 0; i < WISHES; i++) {
        struct drawing *drawing;
        assert_int_equal(drawing_new(&vehicle, &wishes[i], &drawing), 0);
        assert_int_equal(drawing_record(drawing, &record), 0);
        json_t *json = drawing_json(drawing, NULL);
        check_columns(json, &wishes[i], 0);
        double each = json_number_value(json_object_get(json, "samples_per_column"));
        struct expected all = look(wishes[i].from_s, wishes[i].to_s);
        assert_true(fabs(each * (double)wishes[i].columns - (double)all.count) < 1.5);
        json_decref(json);
        drawing_free(drawing);
    }
}

static void out_of_a_finer_one(void **state) {
    (void)state;
    struct drawing *fine;
    size_t drawn = 0;
    assert_int_equal(drawing_new(&vehicle, &whole, &fine), 0);
    assert_int_equal(drawing_record(fine, &record), 0);
    for (size_t i = 0; i < WISHES; i++) {
        if (!drawing_is_finer(fine, &wishes[i]))
            continue;
        struct drawing *drawing;
        assert_int_equal(drawing_new(&vehicle, &wishes[i], &drawing), 0);
        drawing_of_finer(drawing, fine);
        json_t *json = drawing_json(drawing, NULL);
        check_columns(json, &wishes[i], 0.25);
        json_decref(json);
        drawing_free(drawing);
        drawn++;
    }
    assert_int_equal(drawn, 3); /* the last one is too near */
    drawing_free(fine);
}

/* No more samples than columns: one by one, also out of a finer one that has them all. */
static void single_samples(void **state) {
    (void)state;
    const struct drawing_wish near = {.from_s = 20.00005, .to_s = 20.05, .columns = 1000};
    const struct drawing_wish around = {.from_s = 19, .to_s = 21, .columns = 50000};
    struct drawing *drawing, *fine, *of_fine;
    assert_int_equal(drawing_new(&vehicle, &near, &drawing), 0);
    assert_int_equal(drawing_new(&vehicle, &near, &of_fine), 0);
    assert_int_equal(drawing_new(&vehicle, &around, &fine), 0);
    assert_int_equal(drawing_record(drawing, &record), 0);
    assert_int_equal(drawing_record(fine, &record), 0);
    drawing_of_finer(of_fine, fine);
    json_t *json = drawing_json(drawing, NULL);
    json_t *again = drawing_json(of_fine, NULL);
    assert_true(json_equal(json, again));
    const json_t *lane = json_array_get(json_object_get(json, "channels"), 0);
    size_t count = json_array_size(json_object_get(lane, "t"));
    assert_int_equal(count, look(near.from_s, near.to_s).count);
    for (size_t i = 0, sample = 0; i < count; i++, sample++) {
        while (time_of(sample) < near.from_s)
            sample++;
        assert_true(fabs(number(lane, "t", i) - time_of(sample)) < 1e-9);
        assert_true(fabs(number(lane, "low", i) - (0.5 * tape.counts[sample] - 10)) < 1e-4);
    }
    json_decref(json);
    json_decref(again);
    drawing_free(drawing);
    drawing_free(of_fine);
    drawing_free(fine);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(out_of_the_record),
        cmocka_unit_test(out_of_a_finer_one),
        cmocka_unit_test(single_samples),
    };
    return cmocka_run_group_tests_name("drawing", tests, fill, NULL);
}
