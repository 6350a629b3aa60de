// SPDX-License-Identifier: Apache-2.0
/*
 * quantity_test.c - numbers with units as people write them.
 */
#include "quantity.h"

#include "cmocka_helper.h"

#include <errno.h>
#include <math.h>
#include <string.h>

static void good_ones(void **state) {
    (void)state;
    static const struct {
        const char *text;
        enum quantity quantity;
        double value;
    } cases[] = {
        {"20 s", QUANTITY_SECONDS, 20},
        {"300 ms", QUANTITY_SECONDS, 0.3},
        {"300ms", QUANTITY_SECONDS, 0.3},
        {"0.1", QUANTITY_SECONDS, 0.1},
        {"2 min", QUANTITY_SECONDS, 120},
        {"12 h", QUANTITY_SECONDS, 43200},
        {"7 \u00b5s", QUANTITY_SECONDS, 7e-6},
        {"512 MB", QUANTITY_BYTES, 512e6},
        {"2 GiB", QUANTITY_BYTES, 2147483648.},
        {"1e6", QUANTITY_BYTES, 1e6},
        {"-5 \u00b0C", QUANTITY_CELSIUS, -5},
        {"+.5", QUANTITY_PLAIN, 0.5},
        {"5.", QUANTITY_PLAIN, 5},
        {"2.5e-3 V", QUANTITY_VOLTS, 0.0025},
        {"250 mV", QUANTITY_VOLTS, 0.25},
        {"57 kohm", QUANTITY_OHMS, 57000},
        {"1 M\u03a9", QUANTITY_OHMS, 1e6},
        {"150 A", QUANTITY_AMPERES, 150},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        char why[QUANTITY_WHY_SIZE] = "";
        double value = (double)NAN;
        if (quantity_read(cases[i].text, cases[i].quantity, &value, why) < 0 ||
            fabs(value - cases[i].value) > 1e-12 * fabs(cases[i].value))
            fail_msg("\"%s\" read as %.17g (%s)", cases[i].text, value, why);
    }
}

static void bad_ones(void **state) {
    (void)state;
    static const struct {
        const char *text;
        enum quantity quantity;
        const char *says;
    } cases[] = {
        {"", QUANTITY_PLAIN, "not a number"},      {"nan", QUANTITY_PLAIN, "not a number"},
        {"inf", QUANTITY_SECONDS, "not a number"}, {"-", QUANTITY_PLAIN, "not a number"},
        {".", QUANTITY_PLAIN, "not a number"},     {"0x10", QUANTITY_PLAIN, "no unit"},
        {"4,98", QUANTITY_VOLTS, "comma"},         {"5 s", QUANTITY_VOLTS, "V or mV"},
        {"5 mb", QUANTITY_BYTES, "MiB"},           {"1e999", QUANTITY_PLAIN, "too large"},
        {"5 V V", QUANTITY_VOLTS, "V or mV"},      {"1e", QUANTITY_PLAIN, "no unit"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        char why[QUANTITY_WHY_SIZE] = "";
        double value = 77;
        int result = quantity_read(cases[i].text, cases[i].quantity, &value, why);
        if (result != -EINVAL || !strstr(why, cases[i].says) || fabs(value - 77) > 0)
            fail_msg("\"%s\": %d, %.17g, \"%s\"", cases[i].text, result, value, why);
    }
}

int main(void) {
    const struct CMUnitTest tests[] = {cmocka_unit_test(good_ones), cmocka_unit_test(bad_ones)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
