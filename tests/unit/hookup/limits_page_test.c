// SPDX-License-Identifier: Apache-2.0
/*
 * limits_page_test.c - docs/limits.md says what the table of limits says.
 *
 * With the argument "write" it writes the page instead: the way to bring it up to date.
 */
#include "circuit_limits.h"

#include "cmocka_helper.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define PAGE CRANKTRAP_SOURCE "/docs/limits.md"

static char *make_page(void) {
    char *page = NULL;
    size_t size = 0;
    FILE *stream = open_memstream(&page, &size);
    assert_non_null(stream);
    fputs(
        "# Limits\n"
        "\n"
        "What a circuit is judged by. Every one can be set in the section `[limits]` of the "
        "hookup\n"
        "file (docs/hookup.md); a report prints the source beside a check. On a 24 V vehicle the\n"
        "defaults of the battery's limits (`cranking-...`) are doubled.\n"
        "\n"
        "This page is made from the table in `analysis/circuit_limits.h`; a test compares them.\n"
        "\n"
        "| limit | default | unit | source |\n"
        "|---|---|---|---|\n",
        stream);
    size_t count;
    const struct limits_row *rows = limits_rows(&count);
    for (size_t i = 0; i < count; i++)
        fprintf(stream, "| `%s` | %g | %s | %s |\n", rows[i].name, rows[i].standard, rows[i].unit,
                rows[i].source);
    fclose(stream);
    return page;
}

static void page_is_up_to_date(void **state) {
    (void)state;
    char *expected = make_page();
    char *found = calloc(1, strlen(expected) + 4096);
    FILE *file = fopen(PAGE, "r");
    assert_non_null(file);
    assert_non_null(found);
    (void)fread(found, 1, strlen(expected) + 4095, file);
    fclose(file);
    assert_string_equal(found, expected);
    free(found);
    free(expected);
}

int main(int argc, char **argv) {
    if (argc > 1 && strcmp(argv[1], "write") == 0) {
        char *page = make_page();
        FILE *file = fopen(PAGE, "w");
        int result = !file || fputs(page, file) < 0;
        if (file)
            fclose(file);
        free(page);
        return result;
    }
    const struct CMUnitTest tests[] = {cmocka_unit_test(page_is_up_to_date)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
