// SPDX-License-Identifier: Apache-2.0
/*
 * board_changed_test.c - which changes of a hookup need a restart.
 */
#include "hookup.h"

#include "cmocka_helper.h"
#include "text_helper.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static struct hookup *parsed(const char *text) {
    struct problems problems = {0};
    struct hookup *hookup = NULL;
    assert_int_equal(hookup_parse(text, strlen(text), HOOKUP_FOR_BOARDS, &hookup, &problems), 0);
    return hookup;
}

/* The board that has changed where `old` is replaced by `new`; "": none. */
static const char *changed(const char *old, const char *new) {
    static char name[64];
    char *text = text_replaced(text_sound, old, new);
    struct hookup *before = parsed(text_sound), *after = parsed(text);
    const char *board = hookup_board_changed(before, after);
    snprintf(name, sizeof name, "%s", board ? board : "");
    hookup_free(before);
    hookup_free(after);
    free(text);
    return name;
}

static void what_a_board_is(void **state) {
    (void)state;
    assert_string_equal(changed("rate = 5000", "rate = 4000"), "logger");
    assert_string_equal(changed("usb-logger-1", "usb-logger-2"), "logger");
    assert_string_equal(changed("[sensor crank]", "[board two]\ndriver = sim\n[sensor crank]"),
                        "two");
}

static void what_hangs_on_it(void **state) {
    (void)state;
    assert_string_equal(changed("cylinders = 4", "cylinders = 6"), "");
    assert_string_equal(changed("name = parcel van", "name = other van"), "");
    assert_string_equal(changed("[sensor crank]", "[trigger t]\nbegin = cranking\n[sensor crank]"),
                        "");
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(what_a_board_is),
        cmocka_unit_test(what_hangs_on_it),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
