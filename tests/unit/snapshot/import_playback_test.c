// SPDX-License-Identifier: Apache-2.0
/*
 * import_playback_test.c - what was imported plays back as the CSV file said it.
 */
#include "cmocka_helper.h"
#include "import_helper.h"
#include "playback.h"

#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define ROWS       25000
#define RATE_HZ    4000
#define LOSS_BEGIN 9000
#define LOSS_END   9250
#define FIRST_S    12.5

static const char hookup_text[] = "[vehicle]\nname = parcel van, bay 2\n"
                                  "[channel crank-feed]\nrole = feed\nnominal = 5\n"
                                  "[channel starter]\nrole = starter-current\n"
                                  "[channel battery]\nrole = battery\n";

/* Made-up values of a row, in thousandths of the unit. */
static int thousandths(int row, int column) {
    return column == 0   ? 12000 + row % 977
           : column == 1 ? 4900 + row % 131
                         : (row % 500 - 250) * 100;
}

static void write_csv(const char *path) {
    FILE *file = fopen(path, "w");
    assert_non_null(file);
    fputs("time_s,battery,crank-feed,starter\r\n", file);
    for (int row = 0; row < ROWS; row++) {
        if (row >= LOSS_BEGIN && row < LOSS_END)
            continue;
        fprintf(file, "%.5f", FIRST_S + (double)row / RATE_HZ);
        for (int column = 0; column < 3; column++) {
            int value = thousandths(row, column);
            fprintf(file, ",%s%d.%03d", value < 0 ? "-" : "", abs(value) / 1000, abs(value) % 1000);
        }
        fputs("\r\n", file);
    }
    assert_int_equal(fclose(file), 0);
}

static void check_run(const struct vehicle *vehicle, const struct record_run *run, int *row) {
    static const char *const columns[] = {"battery", "crank-feed", "starter"};
    assert_true(fabs(run->time_s - (double)*row / RATE_HZ) < 1e-8);
    assert_true(fabs(run->period_s * RATE_HZ - 1) < 1e-6);
    assert_int_equal(run->inputs, 3);
    for (size_t scan = 0; scan < run->scans; scan++, ++*row)
        for (int column = 0; column < 3; column++) {
            size_t index = vehicle_channel_by_name(vehicle, columns[column]);
            assert_int_not_equal(index, CHANNEL_NONE);
            const struct vehicle_channel *channel = &vehicle->channels[index];
            double value = scale_value(&channel->scale, run->counts[channel->input][scan]);
            double expected = thousandths(*row, column) / 1000.0;
            if (fabs(value - expected) > 1e-13 * fabs(expected))
                fail_msg("row %d, %s: %.17g is not %.17g", *row, columns[column], value, expected);
        }
}

static void plays_back(void **state) {
    (void)state;
    struct import_run run;
    import_run_begin(&run, hookup_text);
    write_csv(run.csv);
    import_run_file(&run);
    assert_int_equal(run.status, 0);
    assert_int_equal(run.result.missing, LOSS_END - LOSS_BEGIN);

    const char *paths[] = {run.out};
    struct playback *playback = NULL;
    char why[256] = "";
    if (playback_open(paths, 1, &playback, why, sizeof why) < 0)
        fail_msg("%s", why);
    const struct record *record = playback_record(playback);
    assert_string_equal(record->vehicle->name, "parcel van, bay 2");
    assert_int_equal(playback_elapsed_ns(playback), 12500000000);
    assert_int_equal(record->seek(record->context, record->from_s), 0);
    int row = 0;
    struct record_run stretch;
    while (record->next(record->context, &stretch) == 1) {
        if (row == LOSS_BEGIN) {
            assert_true(stretch.after_loss);
            row = LOSS_END;
        }
        check_run(record->vehicle, &stretch, &row);
    }
    assert_int_equal(row, ROWS);
    const struct record_loss *losses;
    assert_int_equal(record->losses(record->context, &losses), 1);
    assert_int_equal(losses[0].scans, LOSS_END - LOSS_BEGIN);
    assert_true(fabs(losses[0].from_s - (double)LOSS_BEGIN / RATE_HZ) < 1e-8);
    assert_true(fabs(losses[0].to_s - (double)LOSS_END / RATE_HZ) < 1e-8);
    assert_string_equal(losses[0].reason, "rows missing in the imported file");
    playback_free(playback);

    char sentence[256];
    assert_int_equal(container_verify(run.out, sentence, sizeof sentence), CONTAINER_WHOLE);
    import_run_end(&run);
}

int main(void) {
    const struct CMUnitTest tests[] = {cmocka_unit_test(plays_back)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
