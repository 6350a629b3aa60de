// SPDX-License-Identifier: Apache-2.0
/*
 * store_test.c - calibrations come back from the state folder as they were, or not at all.
 */
#include "cmocka_helper.h"

#include "calibration_json.h"
#include "calibration_store.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static char folder[64];

static int make_folder(void **state) {
    (void)state;
    snprintf(folder, sizeof folder, "/tmp/calibration-test-XXXXXX");
    return mkdtemp(folder) ? 0 : -1;
}

static int remove_folder(void **state) {
    (void)state;
    char path[96];
    snprintf(path, sizeof path, "%s/calibration.json", folder);
    (void)unlink(path);
    return rmdir(folder); /* fails where a half-written file was left */
}

static void write_file(const char *text) {
    char path[96];
    snprintf(path, sizeof path, "%s/calibration.json", folder);
    FILE *file = fopen(path, "w");
    assert_non_null(file);
    fputs(text, file);
    fclose(file);
}

static struct calibration some(const char *board, size_t input) {
    struct calibration made = {.input = input,
                               .unit = "V",
                               .points = 2,
                               .point = {{.counts = 60.047,
                                          .nominal = 0.1 + 0.2,
                                          .known = 0,
                                          .noise = 1.0 / 3.0,
                                          .wall_s = 1768433400},
                                         {.counts = 2750.25, .nominal = 12.1, .known = 12.61}},
                               .kind = CALIBRATION_LINE,
                               .gain = 1.0204,
                               .offset = -0.0306,
                               .residual = (double)NAN};
    snprintf(made.board, sizeof made.board, "%s", board);
    return made;
}

static void assert_same(const struct calibration *one, const struct calibration *other) {
    assert_non_null(one);
    assert_string_equal(one->board, other->board);
    assert_string_equal(one->unit, other->unit);
    assert_int_equal(one->input, other->input);
    assert_int_equal(one->kind, other->kind);
    assert_memory_equal(&one->gain, &other->gain, sizeof one->gain);
    assert_memory_equal(&one->offset, &other->offset, sizeof one->offset);
    assert_int_equal(isnan(one->residual), isnan(other->residual));
    assert_int_equal(one->points, other->points);
    assert_memory_equal(one->point, other->point, one->points * sizeof one->point[0]);
}

static void comes_back(void **state) {
    (void)state;
    struct calibration_store store = {0}, read = {0};
    struct calibration seven = some("van board 7", 0), eight = some("van board 8", 0);
    struct calibration other_input = some("van board 7", 1);
    assert_int_equal(calibration_store_read(folder, &store), 0); /* no file yet */
    assert_int_equal(store.count, 0);
    assert_int_equal(calibration_store_put(&store, &seven), 0);
    assert_int_equal(calibration_store_put(&store, &eight), 0);
    assert_int_equal(calibration_store_put(&store, &other_input), 0);
    seven.gain = 0.9;
    assert_int_equal(calibration_store_put(&store, &seven), 0); /* in its own place */
    assert_int_equal(store.count, 3);
    assert_int_equal(calibration_store_write(&store, folder), 0);
    calibration_store_clear(&store);
    assert_int_equal(calibration_store_read(folder, &read), 0);
    assert_int_equal(read.count, 3);
    assert_same(calibration_store_find(&read, "van board 7", 0), &seven);
    assert_same(calibration_store_find(&read, "van board 8", 0), &eight);
    assert_same(calibration_store_find(&read, "van board 7", 1), &other_input);
    assert_null(calibration_store_find(&read, "van board 8", 1));
    assert_true(calibration_store_remove(&read, "van board 7", 0));
    assert_false(calibration_store_remove(&read, "van board 7", 0));
    assert_same(calibration_store_find(&read, "van board 8", 0), &eight);
    calibration_store_clear(&read);
}

static void a_folder_that_cannot_be_written(void **state) {
    (void)state;
    struct calibration_store store = {0};
    assert_int_equal(calibration_store_write(&store, "/nowhere/at/all"), -ENOENT);
}

/* Half a file is used as little as a wrong one: which half was right? */
static void damaged_files_are_not_used(void **state) {
    (void)state;
    static const char *const texts[] = {
        "", "{", "[]", "{\"schema\":\"cranktrap.calibrations/2\",\"calibrations\":[]}",
        "{\"schema\":\"cranktrap.calibrations/1\",\"calibrations\":[{}]}"};
    struct calibration_store store = {.count = 77};
    for (size_t i = 0; i < sizeof texts / sizeof texts[0]; i++) {
        write_file(texts[i]);
        assert_int_equal(calibration_store_read(folder, &store), -EBADMSG);
        assert_int_equal(store.count, 77);
    }
}

static void wrong_entries_are_refused(void **state) {
    (void)state;
    static const char *const wrong[][2] = {{"gain", "9"},
                                           {"gain", "null"},
                                           {"gain", "\"1\""},
                                           {"offset", "null"},
                                           {"input", "64"},
                                           {"input", "-1"},
                                           {"kind", "\"bent\""},
                                           {"board", "\"\""},
                                           {"points", "[]"},
                                           {"points", "[1]"},
                                           {"unit", "\"a very long unit indeed\""},
                                           {"residual", "\"\""}};
    struct calibration made = some("van board 7", 3), read;
    json_t *sound = calibration_to_json(&made);
    assert_int_equal(calibration_from_json(sound, &read), 0);
    for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++) {
        json_t *json = json_deep_copy(sound);
        json_t *value = json_loads(wrong[i][1], JSON_DECODE_ANY, NULL);
        assert_non_null(value);
        json_object_set_new(json, wrong[i][0], value);
        if (calibration_from_json(json, &read) != -EINVAL)
            fail_msg("%s = %s was taken", wrong[i][0], wrong[i][1]);
        json_decref(json);
    }
    json_decref(sound);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(comes_back, make_folder, remove_folder),
        cmocka_unit_test(a_folder_that_cannot_be_written),
        cmocka_unit_test_setup_teardown(damaged_files_are_not_used, make_folder, remove_folder),
        cmocka_unit_test(wrong_entries_are_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
