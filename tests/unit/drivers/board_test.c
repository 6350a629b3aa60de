// SPDX-License-Identifier: Apache-2.0
/*
 * board_test.c - the list of drivers, names and settings.
 */
#include "cmocka_helper.h"
#include "drivers.h"

#include <stdlib.h>
#include <string.h>

static void every_driver_is_whole_and_found_by_its_name(void **state) {
    (void)state;
    size_t count;
    const struct board_driver *const *all = drivers_all(&count);
    assert_true(count >= 3);
    for (size_t i = 0; i < count; i++) {
        assert_int_equal(all[i]->interface, BOARD_INTERFACE);
        assert_ptr_equal(drivers_find(all[i]->name), all[i]);
        assert_non_null(all[i]->summary);
        assert_non_null(all[i]->open);
        assert_non_null(all[i]->describe);
        assert_non_null(all[i]->start);
        assert_non_null(all[i]->close);
        assert_true((all[i]->shape == BOARD_STREAM) == (all[i]->consume != NULL));
        assert_true((all[i]->shape == BOARD_POLL) == (all[i]->fetch != NULL));
    }
    assert_null(drivers_find("no-such-driver"));
}

/* The defaults of an option table must pass its own rules; a serial driver tells its baud. */
static void option_tables_are_sound(void **state) {
    (void)state;
    size_t count;
    const struct board_driver *const *all = drivers_all(&count);
    for (size_t i = 0; i < count; i++) {
        bool baud = false;
        for (const struct board_option *option = all[i]->options; option && option->name;
             option++) {
            assert_non_null(option->help);
            baud = baud || strcmp(option->name, "baud") == 0;
            assert_false(option->required && option->standard);
            assert_true((option->type == BOARD_OPTION_WORD) == (option->words != NULL));
            if (!option->standard)
                continue;
            if (option->type == BOARD_OPTION_WORD)
                assert_non_null(strstr(option->words, option->standard));
            if (option->type == BOARD_OPTION_WHOLE || option->type == BOARD_OPTION_NUMBER) {
                double value = strtod(option->standard, NULL);
                assert_true(value >= option->lowest && value <= option->highest);
            }
        }
        assert_true(baud || all[i]->bus != BOARD_SERIAL);
    }
}

static void settings_come_before_defaults(void **state) {
    (void)state;
    const struct board_driver *driver = drivers_find("text-serial");
    struct board_setting setting[] = {{"rate", "250"}, {"baud", "9600"}};
    struct board_settings settings = {.count = 2, .setting = setting};
    assert_string_equal(board_setting_text(driver, &settings, "baud"), "9600");
    assert_string_equal(board_setting_text(driver, &settings, "bits"), "10");
    assert_null(board_setting_text(driver, &settings, "columns"));
    assert_null(board_setting_text(driver, &settings, "nonsense"));
    assert_true(board_setting_number(driver, &settings, "rate", 1) > 249.9);
    assert_true(board_setting_number(driver, NULL, "rate", 1) < 1.1);
    assert_true(board_setting_number(driver, NULL, "baud", 1) > 115199);
}

static void results_and_reasons_have_names(void **state) {
    (void)state;
    assert_string_equal(board_result_name(BOARD_OK), "ok");
    assert_string_equal(board_result_name(BOARD_INSANE_VALUE), "insane value");
    assert_string_equal(board_loss_name(BOARD_LOSS_OVERRUN), "overrun");
    for (int i = 0; i < BOARD_RESULTS; i++)
        for (int k = 0; k < i; k++)
            assert_string_not_equal(board_result_name((enum board_result)i),
                                    board_result_name((enum board_result)k));
    for (int i = 0; i < BOARD_LOSSES; i++)
        for (int k = 0; k < i; k++)
            assert_string_not_equal(board_loss_name((enum board_loss)i),
                                    board_loss_name((enum board_loss)k));
}

static void the_worse_result_wins(void **state) {
    (void)state;
    static const enum board_result order[] = {BOARD_NEED_MORE,  BOARD_OK,
                                              BOARD_RESYNC,     BOARD_BAD_CHECK,
                                              BOARD_BAD_LENGTH, BOARD_INSANE_VALUE};
    for (size_t i = 0; i < 6; i++)
        for (size_t k = 0; k < 6; k++)
            assert_int_equal(board_result_worse(order[i], order[k]), order[i > k ? i : k]);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_driver_is_whole_and_found_by_its_name),
        cmocka_unit_test(option_tables_are_sound),
        cmocka_unit_test(settings_come_before_defaults),
        cmocka_unit_test(results_and_reasons_have_names),
        cmocka_unit_test(the_worse_result_wins),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
