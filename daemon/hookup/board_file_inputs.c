// SPDX-License-Identifier: Apache-2.0
/*
 * board_file_inputs.c - the sections [inputs] and [input N] of a board file.
 */
#include "board_file_part.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define RANGE_VOLTS_MAX 1e6

static const char *const keys[] = {"range", "skew", "delay", NULL};

/* "-10..10 V", "0 mV..500 mV": a unit that stands only at the end is that of both. */
static bool read_range(struct reading *reading, const struct document_section *section, double *low,
                       double *high) {
    const struct document_entry *entry = reading_entry(reading, section, "range");
    const char *dots = entry ? strstr(entry->value, "..") : NULL;
    if (entry && !dots)
        reading_problem(reading, section, entry,
                        "the volts at the lowest and at the highest count, such as 0..5 V or "
                        "-10..10 V");
    if (!dots)
        return false;
    const char *unit = dots + 2 + strspn(dots + 2, "+-.0123456789eE \t");
    size_t first = (size_t)(dots - entry->value);
    bool own_unit = strcspn(entry->value, "Vm") < first;
    char text[64];
    if (first + strlen(unit) >= sizeof text) {
        reading_problem(reading, section, entry, "too long for two numbers");
        return false;
    }
    snprintf(text, sizeof text, "%.*s%s", (int)first, entry->value, own_unit ? "" : unit);
    double lowest = 0, highest = 0;
    if (!reading_quantity(reading, section, entry, text, QUANTITY_VOLTS, -RANGE_VOLTS_MAX,
                          RANGE_VOLTS_MAX, &lowest) ||
        !reading_quantity(reading, section, entry, dots + 2 + strspn(dots + 2, " \t"),
                          QUANTITY_VOLTS, -RANGE_VOLTS_MAX, RANGE_VOLTS_MAX, &highest))
        return false;
    if (!(lowest < highest || lowest > highest)) {
        reading_problem(reading, section, entry, "the two ends are the same");
        return false;
    }
    *low = lowest;
    *high = highest;
    return true;
}

static void read_all_inputs(struct reading *reading, struct board_file *file) {
    const struct document_section *section = reading_only(reading, "inputs");
    double low, high, delay;
    if (!section)
        return;
    bool ranged = read_range(reading, section, &low, &high);
    (void)reading_number(reading, section, "skew", QUANTITY_SECONDS, 0, 1, &file->skew_s);
    bool delayed = reading_number(reading, section, "delay", QUANTITY_SECONDS, 0, 1, &delay);
    for (size_t i = 0; i < BOARD_INPUTS_MAX; i++) {
        if (ranged) {
            file->volts_low[i] = low;
            file->volts_high[i] = high;
        }
        if (delayed)
            file->delay_s[i] = delay;
    }
    reading_rest(reading, section, keys, NULL);
}

/* The input that "[input N]" means, or -1 and a problem. */
static int input_number(struct reading *reading, const struct document_section *section,
                        const struct board_file *file) {
    size_t inputs = file->packet.inputs ? file->packet.inputs : BOARD_INPUTS_MAX;
    char *end;
    long input = strtol(section->name, &end, 10);
    if (!reading_name(reading, section))
        return -1;
    if (end == section->name || *end || input < 0 || (size_t)input >= inputs) {
        reading_problem(reading, section, NULL, "no such input: 0 to %zu can be", inputs - 1);
        return -1;
    }
    return (int)input;
}

void board_file_inputs(struct reading *reading, struct board_file *file) {
    read_all_inputs(reading, file);
    for (const struct document_section *section = reading_next(reading, NULL, "input"); section;
         section = reading_next(reading, section, "input")) {
        int input = input_number(reading, section, file);
        if (input < 0)
            continue;
        (void)read_range(reading, section, &file->volts_low[input], &file->volts_high[input]);
        (void)reading_number(reading, section, "skew", QUANTITY_SECONDS, 0, 1,
                             &file->input_skew_s[input]);
        (void)reading_number(reading, section, "delay", QUANTITY_SECONDS, 0, 1,
                             &file->delay_s[input]);
        reading_rest(reading, section, keys, NULL);
    }
}
