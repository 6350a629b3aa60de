// SPDX-License-Identifier: Apache-2.0
/*
 * vehicle_part.c - the sections [vehicle] and [limits].
 */
#include "reading.h"

#include <errno.h>
#include <math.h>
#include <string.h>

static const char *const vehicle_keys[] = {"name",        "complaint", "cylinders",  "system",
                                           "ground",      "job",       "technician", "shop",
                                           "temperature", NULL};

#define GROUND_POINTS (GROUND_ECU + 1)

bool reading_ground(struct reading *reading, const struct document_section *section,
                    enum ground_point *ground) {
    const char *words[GROUND_POINTS];
    for (int point = 0; point < GROUND_POINTS; point++)
        words[point] = ground_point_name((enum ground_point)point);
    const struct document_entry *entry = reading_entry(reading, section, "ground");
    int index = entry ? reading_word(reading, section, entry, words, GROUND_POINTS) : -1;
    if (index >= 0)
        *ground = (enum ground_point)index;
    return index >= 0;
}

static double read_system(struct reading *reading, const struct document_section *section) {
    double volts;
    if (!reading_number(reading, section, "system", QUANTITY_VOLTS, 0, (double)INFINITY, &volts))
        return 12;
    if (fabs(volts - 12) < 1e-9 || fabs(volts - 24) < 1e-9)
        return volts;
    reading_problem(reading, section, reading_entry(reading, section, "system"),
                    "the vehicle's system is 12 or 24 volts");
    return 12;
}

void reading_vehicle(struct reading *reading) {
    struct hookup *hookup = &reading->whole->hookup;
    struct vehicle *vehicle = &hookup->vehicle;
    vehicle->system_volts = 12;
    vehicle->ground = GROUND_BATTERY_NEGATIVE;
    vehicle->temperature_c = (double)NAN;
    const struct document_section *section = reading_only(reading, "vehicle");
    if (!section)
        return;
    vehicle->name = reading_text(reading, section, "name");
    vehicle->complaint = reading_text(reading, section, "complaint");
    hookup->job = reading_text(reading, section, "job");
    hookup->technician = reading_text(reading, section, "technician");
    hookup->shop = reading_text(reading, section, "shop");
    uint64_t cylinders = 0;
    reading_whole(reading, section, "cylinders", 1, 24, &cylinders);
    vehicle->cylinders = (unsigned)cylinders;
    vehicle->system_volts = read_system(reading, section);
    reading_ground(reading, section, &vehicle->ground);
    reading_number(reading, section, "temperature", QUANTITY_CELSIUS, -60, 80,
                   &vehicle->temperature_c);
    reading_rest(reading, section, vehicle_keys, NULL);
}

static enum quantity limit_quantity(const struct limits_row *row) {
    if (strcmp(row->unit, "V") == 0)
        return QUANTITY_VOLTS;
    if (strcmp(row->unit, "s") == 0)
        return QUANTITY_SECONDS;
    return QUANTITY_PLAIN;
}

void reading_limits(struct reading *reading) {
    struct hookup *hookup = &reading->whole->hookup;
    hookup->limits = limits_default(hookup->vehicle.system_volts);
    const struct document_section *section = reading_only(reading, "limits");
    if (!section)
        return;
    size_t count;
    const struct limits_row *rows = limits_rows(&count);
    const char **names = reading_take(reading, (count + 1) * sizeof *names);
    if (!names)
        return;
    for (size_t i = 0; i < count; i++) {
        names[i] = rows[i].name;
        double value;
        if (!reading_number(reading, section, rows[i].name, limit_quantity(&rows[i]), 0,
                            (double)INFINITY, &value))
            continue;
        if (limits_set(&hookup->limits, rows[i].name, value) < 0)
            reading_problem(reading, section, reading_entry(reading, section, rows[i].name),
                            "cannot be a limit");
    }
    reading_rest(reading, section, names, NULL);
}
