// SPDX-License-Identifier: Apache-2.0
/*
 * recording_helper.c - a column of a recording, and drawing it.
 */
#include "recording_helper.h"

#include "cmocka_helper.h"

#include <stdio.h>
#include <stdlib.h>

/* The number in column `column` of a line; false for a heading. */
static bool number_in(const char *line, size_t column, double *number) {
    for (size_t i = 0; i < column; i++) {
        while (*line != '\0' && *line != ',')
            line++;
        if (*line == '\0')
            return false;
        line++;
    }
    char *end;
    *number = strtod(line, &end);
    return end != line;
}

void recording_read(const char *file, size_t column, struct recording *recording) {
    *recording = (struct recording){0, NULL, NULL};
    if (CRANKTRAP_DATA[0] == '\0') {
        print_message("not run: the folder of recordings (CRANKTRAP_DATA) was not given\n");
        skip();
    }
    char path[4096];
    snprintf(path, sizeof path, "%s/%s", CRANKTRAP_DATA, file);
    FILE *stream = fopen(path, "r");
    if (stream == NULL)
        fail_msg("cannot read %s", path);
    char line[512];
    size_t room = 0;
    while (fgets(line, sizeof line, stream) != NULL) {
        double time_s;
        double value;
        if (!number_in(line, 0, &time_s) || !number_in(line, column, &value))
            continue;
        if (recording->rows == room) {
            room = room == 0 ? 1024 : room * 2;
            recording->times = realloc(recording->times, room * sizeof(double));
            recording->values = realloc(recording->values, room * sizeof(double));
            assert_true(recording->times != NULL && recording->values != NULL);
        }
        recording->times[recording->rows] = time_s;
        recording->values[recording->rows++] = value;
    }
    fclose(stream);
    assert_true(recording->rows > 1);
    for (size_t i = recording->rows; i-- > 0;)
        recording->times[i] -= recording->times[0];
}

void recording_free(struct recording *recording) {
    free(recording->times);
    free(recording->values);
}

void recording_draw_edges(struct sheet *sheet, size_t channel, const struct recording *recording,
                          double at_s, double low, double high) {
    for (size_t i = 0; i + 1 < recording->rows; i++)
        sheet_hold(sheet, channel, at_s + recording->times[i], at_s + recording->times[i + 1],
                   recording->values[i] > 0.5 ? high : low);
}

void recording_draw_volts(struct sheet *sheet, size_t channel, const struct recording *recording,
                          double at_s) {
    for (size_t i = 0; i + 1 < recording->rows; i++)
        sheet_ramp(sheet, channel, at_s + recording->times[i], at_s + recording->times[i + 1],
                   recording->values[i], recording->values[i + 1]);
}
