// SPDX-License-Identifier: Apache-2.0
/*
 * import_test.c - CSV files to containers: exact values, counted losses, clear errors.
 *
 * Values are made as whole numbers and written as decimals by integer arithmetic, so that what
 * comes back can be compared without a rounding.
 */
#include "cmocka_helper.h"
#include "import_helper.h"

#include <errno.h>
#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

static const char hookup_two[] = "[channel battery]\nrole = battery\n"
                                 "[channel feed]\nrole = feed\nnominal = 5\n";

static void run_text(struct import_run *run, const char *csv) {
    import_run_begin(run, hookup_two);
    import_run_text(run, csv, strlen(csv));
}

static void values_are_exact(void **state) {
    (void)state;
    struct import_run run;
    run_text(&run, "time_s,feed,battery\n"
                   "0.00,4.98,12.6\n"
                   "0.01,-0.005,12.55\n"
                   "0.02,5e0,1.2e1\n"
                   "0.03,+4.9800,0012\n");
    import_run_open(&run);
    assert_int_equal(run.result.rows, 4);
    assert_int_equal(run.result.channels, 2);
    assert_true(fabs(run.result.rate_hz - 100) < 1e-9);
    assert_int_equal(run.scans, 4);
    assert_int_equal(run.inputs, 2);
    static const int32_t expected[] = {4980, 1260, -5, 1255, 5000, 1200, 4980, 1200};
    assert_memory_equal(run.counts, expected, sizeof expected);

    /* The head explains them: columns in the file's order, the hookup's channels in theirs. */
    const struct vehicle *vehicle = &run.head->hookup->vehicle;
    assert_string_equal(vehicle->channels[0].name, "battery");
    assert_int_equal(vehicle->channels[0].input, 1);
    assert_int_equal(vehicle->channels[1].input, 0);
    assert_true(fabs(scale_value(&vehicle->channels[0].scale, 1255) - 12.55) < 1e-14);
    assert_true(fabs(scale_value(&vehicle->channels[1].scale, -5) + 0.005) < 1e-17);
    assert_string_equal(run.head->streams[0].driver, "import");
    assert_true(fabs(run.head->streams[0].rate_hz - 100) < 1e-9);
    assert_string_equal(run.head->hookup->text, hookup_two);
    assert_int_equal(run.clocks, 1);
    assert_int_equal(run.clock[0].elapsed_ns, 0);
    assert_true(fabs(run.clock[0].rate_hz - 100) < 1e-9);
    import_run_end(&run);
}

static void the_whole_range_of_counts(void **state) {
    (void)state;
    struct import_run run;
    run_text(&run, "time_s,feed,battery\n0,2147483.647,1e9\n1,-2147483.648,-2147483648\n");
    import_run_open(&run);
    static const int32_t expected[] = {INT32_MAX, 1000000000, INT32_MIN, INT32_MIN};
    assert_memory_equal(run.counts, expected, sizeof expected);
    import_run_end(&run);

    run_text(&run, "time_s,feed,battery\n0,2147483.648,1\n1,1,2e9\n2,1,3e9\n3,0.001,1\n");
    assert_int_equal(run.status, -EINVAL);
    assert_int_equal(run.problems.count, 2);
    assert_true(import_run_says(&run, 2, "at most 2 decimals"));
    assert_true(import_run_says(&run, 4, "too large"));
    import_run_end(&run);

    /* What a program writes that prints all digits of its doubles. */
    run_text(&run, "time_s,feed,battery\n0,5.000000000000000278,1\n1,12.600000000001,1\n");
    assert_int_equal(run.status, -EINVAL);
    assert_true(import_run_says(&run, 2, "round it"));
    assert_true(import_run_says(&run, 3, "at most 8 decimals"));
    import_run_end(&run);
}

static void the_same_file_in_other_clothes(void **state) {
    (void)state;
    static const char *const files[] = {
        "time_s,battery,feed\n0,12.5,4.98\n0.5,12.25,4.99\n1,12,5\n",
        "time_s,battery,feed\r\n0,12.5,4.98\r\n0.5,12.25,4.99\r\n1,12,5\r\n",
        "\xef\xbb\xbf\"time_s\",\"battery\",\"feed\"\n\"0\",\"12.5\",4.98\n0.5,12.25,4.99\n1,12,5",
        "time_s, battery, feed\n 0, 12.50, 4.98\n\n5e-1, 12.25, 4.99\n1.0, 12.00, 5.00\n\n\n",
    };
    static const int32_t expected[] = {1250, 498, 1225, 499, 1200, 500};
    for (size_t i = 0; i < sizeof files / sizeof files[0]; i++) {
        struct import_run run;
        run_text(&run, files[i]);
        import_run_open(&run);
        assert_int_equal(run.scans, 3);
        assert_memory_equal(run.counts, expected, sizeof expected);
        assert_true(fabs(run.result.rate_hz - 2) < 1e-12);
        import_run_end(&run);
    }
}

struct wrong {
    const char *csv;
    unsigned line;
    const char *says;
};

static const struct wrong wrongs[] = {
    /* the header */
    {"", 0, "the file is empty"},
    {"\n\n", 0, "the file is empty"},
    {"time_s,battery,feed\n", 0, "at least two rows"},
    {"time_s,battery,feed\n0,1,2\n", 0, "at least two rows"},
    {"time_s;battery;feed\n0;12,5;4,98\n", 1, "semicolons"},
    {"time_s\tbattery\tfeed\n", 1, "tabs"},
    {"0,12.5,4.98\n", 1, "the first line is the header"},
    {"time,battery,feed\n", 1, "time_s,CHANNEL"},
    {"time_s,batery,feed\n", 1, "Its channels: battery, feed"},
    {"time_s,battery\n", 1, "\"feed\" of the hookup has no column"},
    {"time_s,battery,feed,feed\n", 1, "twice"},
    {"time_s,\"battery,feed\n", 1, "no closing quote"},
    /* rows */
    {"time_s,battery,feed\n0,12.5\n", 2, "2 fields, but the header has 3"},
    {"time_s,battery,feed\n0,12.5,4.98,1\n", 2, "4 fields, but the header has 3"},
    {"time_s,battery,feed\n0,001,12,5,4,98\n", 2, "decimals written with commas"},
    {"time_s,battery,feed\n0,\"12,5\",4.98\n", 2, "a point, not a comma"},
    {"time_s,battery,feed\n0,1,1\n1,nan,1\n", 3, "leave the whole row out"},
    {"time_s,battery,feed\n0,1,1\n1,1,-Inf\n", 3, "leave the whole row out"},
    {"time_s,battery,feed\n0,1,1\n1,,1\n", 3, "is empty"},
    {"time_s,battery,feed\n0,1,1\n1,12.5V,1\n", 3, "is no number"},
    {"time_s,battery,feed\n0,1,1\n1,1e999,1\n", 3, "too large or too small"},
    {"time_s,battery,feed\n0,1,1\n1,1\"2,1\n", 3, "a quote stands inside"},
    /* times */
    {"time_s,battery,feed\n0,1,1\n1,1,1\n1,1,1\n2,1,1\n", 4, "the same time"},
    {"time_s,battery,feed\n0,1,1\n2,1,1\n1,1,1\n3,1,1\n", 4, "goes backwards"},
    {"time_s,battery,feed\n0,1,1\n1e10,1,1\n", 3, "in seconds"},
    {"time_s,battery,feed\n00:01,1,1\n00:02,1,1\n", 2, "is no number"},
};

static void wrong_files_are_told(void **state) {
    (void)state;
    for (size_t i = 0; i < sizeof wrongs / sizeof wrongs[0]; i++) {
        struct import_run run;
        run_text(&run, wrongs[i].csv);
        if (run.status != -EINVAL || !import_run_says(&run, wrongs[i].line, wrongs[i].says))
            fail_msg("\"%s\": %d, not told: \"%s\"", wrongs[i].csv, run.status, wrongs[i].says);
        assert_int_not_equal(access(run.out, F_OK), 0);
        import_run_end(&run);
    }
}

static void an_uneven_row_is_told_once(void **state) {
    (void)state;
    struct import_run run;
    char csv[4096] = "time_s,battery,feed\n";
    for (int i = 0; i < 200; i++)
        sprintf(csv + strlen(csv), "%.1f,12,5\n", i < 150 ? i : i + 0.4);
    run_text(&run, csv);
    assert_int_equal(run.status, -EINVAL);
    assert_int_equal(run.problems.count, 1); /* the rows behind it are even again */
    assert_true(import_run_says(&run, 152, "0.40 periods off the even spacing of 1 s"));
    import_run_end(&run);
}

static void twenty_problems_and_a_count(void **state) {
    (void)state;
    struct import_run run;
    char csv[4096] = "time_s,battery,feed\n";
    for (int i = 0; i < 50; i++)
        sprintf(csv + strlen(csv), "%d,nan,5\n", i);
    run_text(&run, csv);
    assert_int_equal(run.status, -EINVAL);
    assert_int_equal(run.problems.count, 21);
    assert_int_equal(run.problems.problem[0].line, 2);
    assert_string_equal(run.problems.problem[0].where, "column battery");
    assert_string_equal(run.problems.problem[0].read, "nan");
    assert_true(import_run_says(&run, 51, "and 30 more problems"));
    import_run_end(&run);
}

static void missing_rows_become_losses(void **state) {
    (void)state;
    struct import_run run;
    char *csv = NULL;
    size_t size = 0;
    FILE *stream = open_memstream(&csv, &size);
    assert_non_null(stream);
    fputs("time_s,battery,feed\n", stream);
    for (int i = 0; i < 3000; i++)
        if (!(i >= 700 && i < 705) && i != 1500)
            fprintf(stream, "%d.%03d,12.%02d,%d\n", (i + 5000) / 1000, i % 1000, i % 100, i);
    fclose(stream);
    import_run_begin(&run, hookup_two);
    import_run_text(&run, csv, size);
    free(csv);
    import_run_open(&run);
    assert_int_equal(run.result.missing, 6);
    assert_int_equal(run.result.rows, 2994);
    assert_int_equal(run.losses, 2);
    assert_int_equal(run.loss[0].first_scan, 700);
    assert_int_equal(run.loss[0].scans, 5);
    assert_int_equal(run.loss[1].first_scan, 1500);
    assert_int_equal(run.loss[1].scans, 1);
    for (uint64_t i = 0; i < run.scans; i++) /* the feed's value is the row's own number */
        assert_int_equal(run.counts[2 * i + 1], run.scan_index[i]);
    assert_true(run.largest_block <= 1000); /* a second */
    assert_int_equal(run.clock[0].elapsed_ns, 5000000000);
    import_run_end(&run);
}

static void times_written_too_coarsely(void **state) {
    (void)state;
    /* 700 rows a second with times in whole milliseconds: steps of 1 and 2 ms, no even spacing. */
    struct import_run run;
    char *csv = calloc(1, 100000);
    size_t length = (size_t)sprintf(csv, "time_s,battery,feed\n");
    for (int i = 0; i < 2000; i++)
        length += (size_t)sprintf(csv + length, "%.3f,12,5\n", (double)i / 700);
    import_run_begin(&run, hookup_two);
    import_run_text(&run, csv, length);
    free(csv);
    assert_int_equal(run.status, -EINVAL);
    bool told = false;
    for (size_t i = 0; i < run.problems.count; i++)
        told = told || strstr(run.problems.problem[i].text, "more decimals");
    assert_true(told);
    import_run_end(&run);
}

/* The board's clock runs 40 ppm fast at first and 40 ppm slow later: the anchors follow. */
static void a_drifting_clock_is_kept(void **state) {
    (void)state;
    struct import_run run;
    char *csv = NULL;
    size_t size = 0;
    FILE *stream = open_memstream(&csv, &size);
    assert_non_null(stream);
    fputs("time_s,battery,feed\n", stream);
    double time_s = 0;
    static double times[60000];
    for (int i = 0; i < 60000; i++) {
        times[i] = time_s;
        fprintf(stream, "%.7f,12,%d\n", time_s, i % 7);
        time_s += 1e-3 * (1 + (i < 30000 ? -40e-6 : 40e-6));
    }
    fclose(stream);
    import_run_begin(&run, hookup_two);
    import_run_text(&run, csv, size);
    free(csv);
    import_run_open(&run);
    assert_int_equal(run.scans, 60000);
    assert_int_equal(run.result.missing, 0);
    assert_true(run.clocks > 1);
    for (size_t i = 0; i < run.clocks; i++) {
        double at_s = (double)run.clock[i].elapsed_ns * 1e-9;
        assert_true(fabs(at_s - times[run.clock[i].place.first_scan]) < 0.1e-3);
    }
    import_run_end(&run);
}

static void the_date_of_a_record(void **state) {
    (void)state;
    struct import_run run;
    run_text(&run, "time_s,battery,feed\n1700000000.5,1,1\n1700000001.5,1,1\n");
    import_run_open(&run);
    assert_int_equal(run.clock[0].elapsed_ns, 1700000000500000000);
    assert_int_equal(run.clock[0].wall_ns, 1700000000500000000); /* it is a date already */
    import_run_end(&run);

    run_text(&run, "time_s,battery,feed\n-1,1,1\n0,1,1\n1,1,1\n");
    import_run_open(&run);
    struct stat status;
    assert_int_equal(stat(run.csv, &status), 0);
    int64_t written = (int64_t)status.st_mtim.tv_sec * 1000000000 + status.st_mtim.tv_nsec;
    assert_int_equal(run.clock[0].elapsed_ns, -1000000000);
    assert_int_equal(run.clock[0].wall_ns, written - 2000000000); /* the file's is the last row's */
    import_run_end(&run);
}

static void a_wrong_hookup(void **state) {
    (void)state;
    struct import_run run;
    import_run_begin(&run, "[channel battery]\nrole = batery\n");
    import_run_text(&run, "time_s,battery\n0,1\n", 18);
    assert_int_equal(run.status, -EINVAL);
    assert_true(run.hookup_wrong);
    assert_true(import_run_says(&run, 2, "Did you mean"));
    import_run_end(&run);
}

static void what_cannot_be_read_or_written(void **state) {
    (void)state;
    struct import_run run;
    import_run_begin(&run, hookup_two);
    import_run_file(&run); /* no CSV there */
    assert_int_equal(run.status, -ENOENT);
    assert_false(run.hookup_wrong);
    assert_true(import_run_says(&run, 0, "cannot be read"));
    snprintf(run.csv, sizeof run.csv, "%s", run.folder);
    import_run_file(&run);
    assert_int_equal(run.status, -ESPIPE);
    snprintf(run.csv, sizeof run.csv, "%s/in.csv", run.folder);
    snprintf(run.out, sizeof run.out, "%s/no/such/out.crank", run.folder);
    static const char csv[] = "time_s,battery,feed\n0,1,1\n1,1,1\n";
    import_run_text(&run, csv, strlen(csv));
    assert_int_equal(run.status, -ENOENT);
    assert_true(import_run_says(&run, 0, "cannot be written"));
    import_run_end(&run);
}

/* A file is replaced only by a whole one; what a killed import left behind is no obstacle. */
static void an_old_file_stays_until_then(void **state) {
    (void)state;
    struct import_run run;
    run_text(&run, "time_s,battery,feed\n0,1,1\n1,1,1\n");
    assert_int_equal(run.status, 0);
    struct stat before, after;
    assert_int_equal(stat(run.out, &before), 0);
    import_run_text(&run, "time_s,battery,feed\n0,1,1\n1,nan,1\n", 34);
    assert_int_equal(run.status, -EINVAL);
    assert_int_equal(stat(run.out, &after), 0);
    assert_int_equal(before.st_ino, after.st_ino);
    FILE *left = fopen(run.part, "w");
    assert_non_null(left);
    fputs("half a container", left);
    fclose(left);
    import_run_text(&run, "time_s,battery,feed\n0,1,1\n1,2,1\n2,3,1\n", 38);
    import_run_open(&run);
    assert_int_equal(run.scans, 3);
    import_run_end(&run);
}

/* Writes `rows` rows of made-up values, whole numbers and their decimals alike. */
static void write_rows(const char *path, int rows) {
    FILE *file = fopen(path, "w");
    assert_non_null(file);
    fputs("time_s,battery,feed\n", file);
    uint32_t random = 1;
    for (int i = 0; i < rows; i++) {
        random = random * 1664525u + 1013904223u;
        fprintf(file, "%d.%04d,12.%04u,4.%03u\n", i / 10000, i % 10000, random >> 19,
                (random >> 9) % 1000);
    }
    assert_int_equal(fclose(file), 0);
}

/* Peak resident memory of an import in a process of its own, kilobytes. */
static long peak_of_import(struct import_run *run) {
    pid_t child = fork();
    assert_true(child >= 0);
    if (child == 0) {
        struct import_result result;
        struct problems problems = {0};
        int wrong;
        _exit(import_csv(run->csv, run->hookup, run->out, NULL, NULL, &result, &problems, &wrong)
                  ? 1
                  : 0);
    }
    int status;
    struct rusage usage;
    assert_int_equal(wait4(child, &status, 0, &usage), child);
    assert_true(WIFEXITED(status) && WEXITSTATUS(status) == 0);
    return usage.ru_maxrss;
}

static void a_large_file_needs_no_more_memory(void **state) {
    (void)state;
    struct import_run run;
    import_run_begin(&run, hookup_two);
    write_rows(run.csv, 200000); /* 5 MB */
    long small = peak_of_import(&run);
    write_rows(run.csv, 2000000); /* 50 MB */
    long large = peak_of_import(&run);
    print_message("5 MB: %ld kB resident, 50 MB: %ld kB\n", small, large);
    /* A sanitizer holds on to what was freed: the coded blocks, some 10 MB. */
    assert_true(large < small + 20000);

    run.status = 0;
    import_run_open(&run);
    assert_int_equal(run.scans, 2000000);
    uint32_t random = 1;
    for (uint64_t i = 0; i < run.scans; i++) {
        random = random * 1664525u + 1013904223u;
        if (run.counts[2 * i] != 120000 + (int32_t)(random >> 19) ||
            run.counts[2 * i + 1] != 4000 + (int32_t)((random >> 9) % 1000))
            fail_msg("row %" PRIu64 " came back as %d and %d", i, run.counts[2 * i],
                     run.counts[2 * i + 1]);
    }
    import_run_end(&run);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(values_are_exact),
        cmocka_unit_test(the_whole_range_of_counts),
        cmocka_unit_test(the_same_file_in_other_clothes),
        cmocka_unit_test(wrong_files_are_told),
        cmocka_unit_test(an_uneven_row_is_told_once),
        cmocka_unit_test(twenty_problems_and_a_count),
        cmocka_unit_test(missing_rows_become_losses),
        cmocka_unit_test(times_written_too_coarsely),
        cmocka_unit_test(a_drifting_clock_is_kept),
        cmocka_unit_test(the_date_of_a_record),
        cmocka_unit_test(a_wrong_hookup),
        cmocka_unit_test(what_cannot_be_read_or_written),
        cmocka_unit_test(an_old_file_stays_until_then),
        cmocka_unit_test(a_large_file_needs_no_more_memory),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
