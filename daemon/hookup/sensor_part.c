// SPDX-License-Identifier: Apache-2.0
/*
 * sensor_part.c - the sections [sensor NAME]: a feed, a return and a signal that belong together.
 */
#include "reading.h"

#include <math.h>
#include <string.h>

static const char *const sensor_keys[] = {"kind",         "feed",  "return", "signal", "pull-up",
                                          "pull-up-ohms", "shaft", "wheel",  NULL};

static int read_pair(struct reading *reading, const struct document_section *section,
                     const char *key, const char *first, const char *second) {
    const char *words[] = {first, second};
    const struct document_entry *entry = reading_entry(reading, section, key);
    return entry ? reading_word(reading, section, entry, words, 2) : -1;
}

/* The channel that `key` names; CHANNEL_NONE where it is not given or wrong. */
static size_t read_leg(struct reading *reading, const struct document_section *section,
                       const char *key, enum role role) {
    const struct hookup_whole *whole = reading->whole;
    const struct vehicle *vehicle = &whole->hookup.vehicle;
    const struct document_entry *entry = reading_entry(reading, section, key);
    if (!entry)
        return CHANNEL_NONE;
    size_t index = vehicle_channel_by_name(vehicle, entry->value);
    if (index == CHANNEL_NONE) {
        const char **names = reading_take(reading, (vehicle->channel_count + 1) * sizeof *names);
        size_t count = 0;
        for (size_t i = 0; names && i < vehicle->channel_count; i++)
            if (vehicle->channels[i].role == role)
                names[count++] = vehicle->channels[i].name;
        if (count)
            (void)reading_word(reading, section, entry, names, count);
        else
            reading_problem(reading, section, entry,
                            "there is no channel of that name, and none with role = %s",
                            role_name(role));
        return CHANNEL_NONE;
    }
    if (whole->fits[index].role_known && vehicle->channels[index].role != role) {
        reading_problem(reading, section, entry,
                        "that channel's role is %s (line %u): %s needs one with role = %s",
                        role_name(vehicle->channels[index].role), whole->fits[index].line, key,
                        role_name(role));
        return CHANNEL_NONE;
    }
    return index;
}

/* Each signal belongs to one sensor; feeds and returns may be shared. */
static void check_signal(struct reading *reading, const struct document_section *section,
                         const struct vehicle_sensor *sensor) {
    const struct vehicle *vehicle = &reading->whole->hookup.vehicle;
    for (const struct vehicle_sensor *other = vehicle->sensors; other < sensor; other++)
        if (sensor->signal != CHANNEL_NONE && other->signal == sensor->signal)
            reading_problem(reading, section, reading_entry(reading, section, "signal"),
                            "is the signal of sensor \"%s\" already", other->name);
}

static void read_pull_up(struct reading *reading, const struct document_section *section,
                         struct vehicle_sensor *sensor) {
    reading_number(reading, section, "pull-up-ohms", QUANTITY_OHMS, 1, 1e9, &sensor->pull_up_ohms);
    const struct document_entry *entry = reading_entry(reading, section, "pull-up");
    if (!entry)
        return;
    sensor->pull_up_is_feed = strcmp(entry->value, "feed") == 0;
    sensor->pull_up_is_battery = strcmp(entry->value, "battery") == 0;
    if (sensor->pull_up_is_feed && !reading_entry(reading, section, "feed"))
        reading_problem(reading, section, entry, "this sensor has no feed to pull up to");
    if (!sensor->pull_up_is_feed && !sensor->pull_up_is_battery) {
        char why[QUANTITY_WHY_SIZE];
        double volts;
        if (quantity_read(entry->value, QUANTITY_VOLTS, &volts, why) < 0)
            reading_problem(reading, section, entry, "%s. Allowed: volts, feed, battery", why);
        else
            reading_quantity(reading, section, entry, entry->value, QUANTITY_VOLTS, 0.5, 60,
                             &sensor->pull_up);
    }
}

/* An inductive sensor makes its own voltage: it has neither feed nor pull-up. */
static void refuse_inductive(struct reading *reading, const struct document_section *section,
                             const char *key) {
    const struct document_entry *entry = reading_entry(reading, section, key);
    if (entry)
        reading_problem(reading, section, entry,
                        "an inductive sensor makes its own voltage and has no %s: signal and "
                        "return are its two legs",
                        key);
}

static void read_wheel(struct reading *reading, const struct document_section *section,
                       struct wheel *wheel) {
    const struct document_entry *entry = reading_entry(reading, section, "wheel");
    if (entry && wheel_from_text(entry->value, wheel) < 0)
        reading_problem(reading, section, entry,
                        "allowed: learn, or the places and the missing ones: 36, 60-2, 36-2-2");
}

static void read_sensor(struct reading *reading, const struct document_section *section,
                        struct vehicle_sensor *sensor) {
    *sensor = (struct vehicle_sensor){.name = section->name,
                                      .feed = CHANNEL_NONE,
                                      .ret = CHANNEL_NONE,
                                      .signal = CHANNEL_NONE,
                                      .pull_up = (double)NAN,
                                      .pull_up_ohms = (double)NAN};
    reading_required(reading, section, "kind", "hall or inductive");
    int kind = read_pair(reading, section, "kind", sensor_kind_name(SENSOR_HALL),
                         sensor_kind_name(SENSOR_INDUCTIVE));
    sensor->kind = kind == SENSOR_INDUCTIVE ? SENSOR_INDUCTIVE : SENSOR_HALL;
    reading_required(reading, section, "signal", "the channel that carries the sensor's signal");
    sensor->signal = read_leg(reading, section, "signal", ROLE_SIGNAL);
    check_signal(reading, section, sensor);
    sensor->ret = read_leg(reading, section, "return", ROLE_RETURN);
    if (sensor->kind == SENSOR_INDUCTIVE) {
        refuse_inductive(reading, section, "feed");
        refuse_inductive(reading, section, "pull-up");
        refuse_inductive(reading, section, "pull-up-ohms");
    } else {
        sensor->feed = read_leg(reading, section, "feed", ROLE_FEED);
        read_pull_up(reading, section, sensor);
    }
    int shaft =
        read_pair(reading, section, "shaft", shaft_name(SHAFT_CRANK), shaft_name(SHAFT_CAM));
    sensor->shaft = shaft == SHAFT_CAM ? SHAFT_CAM : SHAFT_CRANK;
    read_wheel(reading, section, &sensor->wheel);
    reading_rest(reading, section, sensor_keys, NULL);
}

void reading_sensors(struct reading *reading) {
    struct vehicle *vehicle = &reading->whole->hookup.vehicle;
    struct vehicle_sensor *sensors =
        reading_take(reading, (reading_count(reading, "sensor") + 1) * sizeof *sensors);
    if (!sensors)
        return;
    vehicle->sensors = sensors;
    for (const struct document_section *section = reading_next(reading, NULL, "sensor"); section;
         section = reading_next(reading, section, "sensor"))
        if (reading_name(reading, section))
            read_sensor(reading, section, &sensors[vehicle->sensor_count++]);
}
