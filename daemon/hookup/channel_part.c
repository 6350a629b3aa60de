// SPDX-License-Identifier: Apache-2.0
/*
 * channel_part.c - the sections [channel NAME]: an input, its role and what is known of it.
 */
#include "channel_scale.h"
#include "reading.h"

#include <math.h>
#include <string.h>

static const char *const channel_keys[] = {
    "board",       "input",         "role",   "unit",       "divider",   "volts-per-count",
    "points",      "amps-per-volt", "offset", "nominal",    "tolerance", "threshold",
    "measured-at", "skew",          "delay",  "input-ohms", NULL};

#define PLACES (PLACE_BATTERY + 1)

static void read_role(struct reading *reading, const struct document_section *section,
                      struct vehicle_channel *channel, struct channel_fit *fit) {
    const char *words[ROLE_COUNT];
    for (int role = 0; role < ROLE_COUNT; role++)
        words[role] = role_name((enum role)role);
    const struct document_entry *entry =
        reading_required(reading, section, "role", "what the lead is on (battery, feed, ...)");
    int index = entry ? reading_word(reading, section, entry, words, ROLE_COUNT) : -1;
    channel->role = index < 0 ? ROLE_OTHER : (enum role)index;
    fit->role_known = index >= 0;
}

static void read_place(struct reading *reading, const struct document_section *section,
                       struct vehicle_channel *channel) {
    const char *words[PLACES];
    size_t count = 0;
    for (int place = PLACE_UNKNOWN + 1; place < PLACES; place++)
        words[count++] = place_name((enum place)place);
    const struct document_entry *entry = reading_entry(reading, section, "measured-at");
    int index = entry ? reading_word(reading, section, entry, words, count) : -1;
    if (index >= 0)
        channel->measured_at = (enum place)(index + PLACE_UNKNOWN + 1);
}

/* The board of that name; CHANNEL_NONE and a problem where there is none. */
static size_t read_board_name(struct reading *reading, const struct document_section *section) {
    const struct hookup *hookup = &reading->whole->hookup;
    const struct document_entry *entry =
        reading->use == HOOKUP_FOR_IMPORT
            ? reading_entry(reading, section, "board")
            : reading_required(reading, section, "board", "which board the lead is on");
    if (!entry)
        return CHANNEL_NONE;
    const char **names = reading_take(reading, (hookup->board_count + 1) * sizeof *names);
    if (!names)
        return CHANNEL_NONE;
    for (size_t i = 0; i < hookup->board_count; i++)
        names[i] = hookup->boards[i].name;
    if (hookup->board_count == 0) {
        reading_problem(reading, section, entry, "there is no [board %s] section", entry->value);
        return CHANNEL_NONE;
    }
    int index = reading_word(reading, section, entry, names, hookup->board_count);
    return index < 0 ? CHANNEL_NONE : (size_t)index;
}

/* Board and input; no two channels share one. */
static void read_input(struct reading *reading, const struct document_section *section,
                       struct vehicle_channel *channel, struct channel_fit *fit) {
    struct hookup_whole *whole = reading->whole;
    size_t board = read_board_name(reading, section);
    if (reading->use == HOOKUP_FOR_BOARDS)
        reading_required(reading, section, "input", "which input of the board, counted from 0");
    uint64_t input;
    if (!reading_whole(reading, section, "input", 0, BOARD_INPUTS_MAX - 1, &input) ||
        board == CHANNEL_NONE)
        return;
    channel->stream = board;
    channel->input = (size_t)input;
    fit->has_board = true;
    if (whole->boards[board].inputs <= channel->input)
        whole->boards[board].inputs = channel->input + 1;
    for (const struct vehicle_channel *other = whole->channels; other < channel; other++)
        if (whole->fits[other - whole->channels].has_board && other->stream == board &&
            other->input == channel->input)
            reading_problem(reading, section, reading_entry(reading, section, "input"),
                            "channel \"%s\" (line %u) is on this input already", other->name,
                            whole->fits[other - whole->channels].line);
}

static void read_nominal(struct reading *reading, const struct document_section *section,
                         struct vehicle_channel *channel, const struct channel_fit *fit) {
    const struct document_entry *entry = reading_entry(reading, section, "nominal");
    if (!entry)
        return;
    bool battery = strcmp(entry->value, "battery") == 0;
    if (fit->role_known && channel->role != ROLE_FEED && channel->role != ROLE_REFERENCE) {
        reading_problem(reading, section, entry,
                        "only a feed or a reference has a nominal level: this channel's role is %s",
                        role_name(channel->role));
    } else if (battery && channel->role == ROLE_REFERENCE) {
        reading_problem(reading, section, entry, "a reference is a known voltage: give its volts");
    } else if (battery) {
        channel->nominal_is_battery = true;
    } else {
        reading_quantity(reading, section, entry, entry->value, QUANTITY_VOLTS, 0.1, 60,
                         &channel->nominal);
    }
}

/* Volts around nominal, or a share of it: "0.25", "5 %". */
static void read_tolerance(struct reading *reading, const struct document_section *section,
                           struct vehicle_channel *channel) {
    const struct document_entry *entry = reading_entry(reading, section, "tolerance");
    if (!entry)
        return;
    size_t length = strlen(entry->value);
    bool percent = length > 0 && entry->value[length - 1] == '%';
    if (!isfinite(channel->nominal)) {
        reading_problem(reading, section, entry,
                        "belongs to a nominal level in volts, and this channel has none");
    } else if (!percent) {
        reading_quantity(reading, section, entry, entry->value, QUANTITY_VOLTS, 0.001,
                         channel->nominal, &channel->tolerance);
    } else {
        char *number = arena_text(reading->arena, entry->value, length - 1);
        double share;
        if (number &&
            reading_quantity(reading, section, entry, number, QUANTITY_PLAIN, 0.01, 100, &share))
            channel->tolerance = channel->nominal * share / 100;
    }
}

static bool is_switch_like(enum role role) {
    return role == ROLE_IGNITION || role == ROLE_START_REQUEST || role == ROLE_COMMAND ||
           role == ROLE_SWITCH || role == ROLE_SUPPLY;
}

static void read_threshold(struct reading *reading, const struct document_section *section,
                           struct vehicle_channel *channel, const struct channel_fit *fit) {
    const struct document_entry *entry = reading_entry(reading, section, "threshold");
    if (entry && fit->role_known && !is_switch_like(channel->role))
        reading_problem(reading, section, entry,
                        "only ignition, start-request, command, switch and supply have a "
                        "threshold: this channel's role is %s",
                        role_name(channel->role));
    else if (entry)
        reading_quantity(reading, section, entry, entry->value, QUANTITY_VOLTS, -100, 100,
                         &channel->threshold);
}

static void read_unit(struct reading *reading, const struct document_section *section,
                      struct vehicle_channel *channel) {
    bool current = channel->role == ROLE_STARTER_CURRENT;
    const char *unit = reading_text(reading, section, "unit");
    channel->unit = unit ? unit : current ? "A" : "V";
    const char *must = current ? "A" : "V";
    if (unit && channel->role != ROLE_OTHER && strcmp(unit, must) != 0)
        reading_problem(reading, section, reading_entry(reading, section, "unit"),
                        "a channel of role %s is in %s; any unit is free in role other",
                        role_name(channel->role), must);
}

static void read_channel(struct reading *reading, const struct document_section *section,
                         struct vehicle_channel *channel, struct channel_fit *fit,
                         enum hookup_scale *kind) {
    *channel = (struct vehicle_channel){.name = section->name,
                                        .nominal = (double)NAN,
                                        .tolerance = (double)NAN,
                                        .threshold = (double)NAN,
                                        .input_ohms = (double)NAN,
                                        .rail_low = 1}; /* above rail_high: not known */
    *fit = (struct channel_fit){.line = section->line, .title = section->title};
    read_role(reading, section, channel, fit);
    read_input(reading, section, channel, fit);
    read_unit(reading, section, channel);
    channel_scale_read(reading, section, channel, fit, kind);
    read_nominal(reading, section, channel, fit);
    read_tolerance(reading, section, channel);
    read_threshold(reading, section, channel, fit);
    read_place(reading, section, channel);
    fit->skew_given =
        reading_number(reading, section, "skew", QUANTITY_SECONDS, 0, 1, &channel->skew_s);
    fit->delay_given =
        reading_number(reading, section, "delay", QUANTITY_SECONDS, 0, 1, &channel->delay_s);
    reading_number(reading, section, "input-ohms", QUANTITY_OHMS, 1, 1e12, &channel->input_ohms);
    reading_rest(reading, section, channel_keys, NULL);
}

void reading_channels(struct reading *reading) {
    struct hookup_whole *whole = reading->whole;
    struct vehicle *vehicle = &whole->hookup.vehicle;
    size_t room = reading_count(reading, "channel") + 1;
    enum hookup_scale *kinds = reading_take(reading, room * sizeof *kinds);
    whole->channels = reading_take(reading, room * sizeof *whole->channels);
    whole->fits = reading_take(reading, room * sizeof *whole->fits);
    if (!kinds || !whole->channels || !whole->fits)
        return;
    vehicle->channels = whole->channels;
    whole->hookup.scale_kind = kinds;
    for (const struct document_section *section = reading_next(reading, NULL, "channel"); section;
         section = reading_next(reading, section, "channel")) {
        if (!reading_name(reading, section))
            continue;
        size_t index = vehicle->channel_count++;
        read_channel(reading, section, &whole->channels[index], &whole->fits[index], &kinds[index]);
    }
}
