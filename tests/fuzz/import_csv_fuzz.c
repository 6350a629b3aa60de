// SPDX-License-Identifier: Apache-2.0
/*
 * import_csv_fuzz.c - a CSV file of any bytes through the first pass of the import.
 *
 * What the survey lets pass, the second pass must be able to place and to hold in 32 bits.
 */
#include "import_decimal.h"
#include "import_survey.h"

#include <stdint.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static const char hookup_text[] = "[channel a]\nrole = battery\n[channel b]\nrole = other\n";

struct second_pass {
    const struct import_survey *survey;
    struct import_grid grid;
    bool has_header;
    uint64_t rows;
};

static int second_row(void *context, const struct import_row *row) {
    struct second_pass *pass = context;
    struct import_decimal decimal;
    struct import_step step;
    if (!pass->has_header) {
        pass->has_header = true;
        return 0;
    }
    pass->rows++;
    if (row->count != pass->survey->column_count + 1 ||
        import_decimal_read(row->field[0].text, row->field[0].length, &decimal) < 0 ||
        import_grid_place(&pass->grid, import_decimal_double(&decimal), &step) != IMPORT_PLACED)
        abort();
    for (size_t i = 0; i < pass->survey->column_count; i++) {
        const struct import_field *field = &row->field[i + 1];
        int64_t counts;
        if (import_decimal_read(field->text, field->length, &decimal) < 0 || decimal.rounded ||
            import_decimal_whole(&decimal, pass->survey->columns[i].decimals, &counts) < 0 ||
            counts < pass->survey->columns[i].lowest || counts > pass->survey->columns[i].highest)
            abort();
    }
    return 0;
}

static int second_broken(void *context, unsigned line, const char *what) {
    (void)context;
    (void)line;
    (void)what;
    abort();
}

/* In pieces: where a read ends must not matter. */
static int feed(const struct import_rows_sinks *sinks, const uint8_t *data, size_t size,
                size_t piece) {
    struct import_rows *rows = NULL;
    int result = import_rows_new(sinks, &rows);
    for (size_t at = 0; result == 0 && at < size; at += piece)
        result =
            import_rows_push(rows, (const char *)data + at, size - at < piece ? size - at : piece);
    if (result == 0)
        result = import_rows_finish(rows);
    import_rows_free(rows);
    return result;
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
    static struct import_survey survey;
    struct problems problems = {0};
    struct hookup *hookup = NULL;
    if (hookup_parse(hookup_text, strlen(hookup_text), HOOKUP_FOR_IMPORT, &hookup, &problems) < 0)
        abort();
    import_survey_begin(&survey, hookup, &problems);
    struct import_rows_sinks first = {&survey, import_survey_row, import_survey_broken};
    int result = feed(&first, data, size, size ? size : 1);
    if (result == 0)
        result = import_survey_finish(&survey);
    if ((result == 0) != (problems.count == 0))
        abort();
    if (result == 0) {
        struct second_pass pass = {.survey = &survey};
        struct import_rows_sinks second = {&pass, second_row, second_broken};
        import_grid_begin(&pass.grid, survey.first_period_s);
        if (feed(&second, data, size, 7) < 0 || pass.rows != survey.rows)
            abort();
    }
    problems_clear(&problems);
    hookup_free(hookup);
    return 0;
}
