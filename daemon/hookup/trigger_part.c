// SPDX-License-Identifier: Apache-2.0
/*
 * trigger_part.c - the sections [trigger NAME].
 */
#include "phases.h"
#include "reading.h"

#include <math.h>
#include <string.h>

static const char *const trigger_keys[] = {"channel", "below",      "above", "outside", "step",
                                           "silent",  "hysteresis", "for",   "when",    "begin",
                                           "end",     "before",     "after", "budget",  NULL};

#define SCANS_LEAST   3 /* that a level must hold before it is believed */
#define LEVEL_MOST    1e6
#define STEP_FOR_MOST 3    /* times the time of the change: how finely that is looked at */
#define WITHIN_MOST   60   /* seconds, of a step */
#define SILENT_MOST   60   /* seconds */
#define HOUR_S        3600 /* a budget is so much of an hour */

/* The keys that make a trigger fire, one of them a trigger, and what else belongs to each. */
static const struct condition {
    const char *key;
    enum trigger_kind kind;
    const char *needless[6]; /* ended by NULL */
} conditions[] = {
    {"below", TRIGGER_BELOW, {NULL}},
    {"above", TRIGGER_ABOVE, {NULL}},
    {"outside", TRIGGER_OUTSIDE, {NULL}},
    {"step", TRIGGER_STEP, {"hysteresis", NULL}},
    {"silent", TRIGGER_SILENT, {"for", NULL}},
    {"begin", TRIGGER_CRANKING_BEGINS, {"channel", "hysteresis", "for", "when", "budget", NULL}},
    {"end", TRIGGER_CRANKING_ENDS, {"channel", "hysteresis", "for", "when", "budget", NULL}},
};
#define CONDITIONS (sizeof conditions / sizeof conditions[0])

/* What makes the trigger fire; `*given` is where it stands. */
static const struct condition *read_condition(struct reading *reading,
                                              const struct document_section *section,
                                              const struct document_entry **given) {
    const struct condition *found = NULL;
    for (size_t i = 0; i < CONDITIONS; i++) {
        const struct document_entry *entry = reading_entry(reading, section, conditions[i].key);
        if (entry && found)
            reading_problem(reading, section, entry,
                            "a trigger has one condition (%s stands in line %u): make another "
                            "[trigger NAME] for this one",
                            found->key, (*given)->line);
        if (!entry || found)
            continue;
        found = &conditions[i];
        *given = entry;
    }
    if (!found)
        reading_problem(reading, section, NULL,
                        "has no condition: below = LEVEL, above = LEVEL, outside = LOW..HIGH, "
                        "step = CHANGE within TIME, silent = TIME, begin = cranking or "
                        "end = cranking");
    return found;
}

/* Keys that have no meaning beside the condition. */
static void refuse_needless(struct reading *reading, const struct document_section *section,
                            const struct condition *condition) {
    for (size_t i = 0; condition->needless[i]; i++) {
        const struct document_entry *entry =
            reading_entry(reading, section, condition->needless[i]);
        if (!entry)
            continue;
        if (condition->kind == TRIGGER_STEP)
            reading_problem(reading, section, entry,
                            "belongs to a level (below, above, outside), not to a step: what "
                            "changes once more within 1 s is the same event anyway");
        else if (condition->kind == TRIGGER_SILENT)
            reading_problem(
                reading, section, entry,
                "belongs to a level or a step: silent = TIME says already for how long");
        else
            reading_problem(reading, section, entry,
                            "belongs to a level (below, above, outside), not to the %s of cranking",
                            condition->key);
    }
}

static void read_channel_name(struct reading *reading, const struct document_section *section,
                              struct hookup_trigger *trigger) {
    const struct vehicle *vehicle = &reading->whole->hookup.vehicle;
    const struct document_entry *entry =
        reading_required(reading, section, "channel", "the channel whose level is watched");
    const char **names = reading_take(reading, (vehicle->channel_count + 1) * sizeof *names);
    if (!entry || !names)
        return;
    for (size_t i = 0; i < vehicle->channel_count; i++)
        names[i] = vehicle->channels[i].name;
    int index = reading_word(reading, section, entry, names, vehicle->channel_count);
    if (index >= 0)
        trigger->channel = (size_t)index;
}

static enum quantity channel_quantity(const struct reading *reading, size_t channel) {
    const char *unit = reading->whole->channels[channel].unit;
    return strcmp(unit, "V") == 0   ? QUANTITY_VOLTS
           : strcmp(unit, "A") == 0 ? QUANTITY_AMPERES
                                    : QUANTITY_PLAIN;
}

/* Scans a second of the trigger's channel; 0: not known yet. */
static double channel_rate(const struct reading *reading, const struct hookup_trigger *trigger) {
    const struct hookup_whole *whole = reading->whole;
    if (trigger->channel == CHANNEL_NONE || !whole->fits[trigger->channel].has_board)
        return 0;
    return whole->boards[whole->channels[trigger->channel].stream].rate_hz;
}

/* A time must span so many scans at least, where the rate is known; else false. */
static bool check_scans(struct reading *reading, const struct document_section *section,
                        const struct document_entry *entry, const struct hookup_trigger *trigger,
                        double seconds, int scans, const char *what) {
    double rate_hz = channel_rate(reading, trigger);
    if (rate_hz <= 0 || seconds * rate_hz >= scans * (1 - 1e-9))
        return true;
    reading_problem(reading, section, entry, "%s at least %d scan%s: %.6g s at this board's rate",
                    what, scans, scans == 1 ? "" : "s", scans / rate_hz);
    return false;
}

/* A part of a value, without the blanks around it, as text of its own; NULL without memory. */
static char *take_part(struct reading *reading, const char *from, const char *to) {
    while (from < to && (*from == ' ' || *from == '\t'))
        from++;
    while (to > from && (to[-1] == ' ' || to[-1] == '\t'))
        to--;
    char *part = arena_text(reading->arena, from, (size_t)(to - from));
    if (!part)
        reading->out_of_memory = true;
    return part;
}

/* Splits "A<between>B"; false with a problem that says how it is written. */
static bool split(struct reading *reading, const struct document_section *section,
                  const struct document_entry *entry, const char *between, const char *how,
                  char *parts[2]) {
    const char *middle = strstr(entry->value, between);
    if (!middle) {
        reading_problem(reading, section, entry, "allowed: %s", how);
        return false;
    }
    parts[0] = take_part(reading, entry->value, middle);
    const char *rest = middle + strlen(between);
    parts[1] = take_part(reading, rest, rest + strlen(rest));
    return parts[0] && parts[1];
}

/* "4.75..5.25", in the channel's unit. */
static void read_band(struct reading *reading, const struct document_section *section,
                      const struct document_entry *entry, enum quantity quantity,
                      struct hookup_trigger *trigger) {
    char *ends[2];
    if (!split(reading, section, entry, "..", "LOW..HIGH, as in 4.75..5.25", ends) ||
        !reading_quantity(reading, section, entry, ends[0], quantity, -LEVEL_MOST, LEVEL_MOST,
                          &trigger->level) ||
        !reading_quantity(reading, section, entry, ends[1], quantity, -LEVEL_MOST, LEVEL_MOST,
                          &trigger->level_high))
        return;
    if (trigger->level >= trigger->level_high)
        reading_problem(reading, section, entry,
                        "the lower end comes first, and the upper one is higher: LOW..HIGH");
    else if (2 * trigger->hysteresis >= trigger->level_high - trigger->level)
        reading_problem(reading, section, reading_entry(reading, section, "hysteresis"),
                        "must be less than half of the band, or it could never be back inside: "
                        "less than %.10g",
                        (trigger->level_high - trigger->level) / 2);
}

/* "500 mV within 10 ms"; and the time the new level must hold, which may not be much longer. */
static void read_step(struct reading *reading, const struct document_section *section,
                      const struct document_entry *entry, enum quantity quantity,
                      struct hookup_trigger *trigger) {
    char *parts[2];
    if (!split(reading, section, entry, " within ",
               "CHANGE within TIME, as in 500 mV within 10 ms; a change up or down", parts) ||
        !reading_quantity(reading, section, entry, parts[0], quantity, 0, LEVEL_MOST,
                          &trigger->level) ||
        !reading_quantity(reading, section, entry, parts[1], QUANTITY_SECONDS, 0, WITHIN_MOST,
                          &trigger->within_s))
        return;
    if (trigger->level <= 0)
        reading_problem(reading, section, entry, "the change must be more than 0, up or down");
    if (check_scans(reading, section, entry, trigger, trigger->within_s, 1, "a change takes") &&
        trigger->for_s > STEP_FOR_MOST * trigger->within_s)
        reading_problem(reading, section, reading_entry(reading, section, "for"),
                        "must be at most %d times as long as the change may take, %.6g s",
                        STEP_FOR_MOST, STEP_FOR_MOST * trigger->within_s);
}

/* "300 ms": so long without an edge, of a lead that has edges. */
static void read_silent(struct reading *reading, const struct document_section *section,
                        const struct document_entry *entry, struct hookup_trigger *trigger) {
    enum role role = reading->whole->channels[trigger->channel].role;
    if (reading->whole->fits[trigger->channel].role_known && role != ROLE_SIGNAL &&
        role != ROLE_COMMAND)
        reading_problem(reading, section, reading_entry(reading, section, "channel"),
                        "silent is about a lead with edges: allowed are channels of role signal "
                        "or command, this one is of role %s",
                        role_name(role));
    if (reading_quantity(reading, section, entry, entry->value, QUANTITY_SECONDS, 0.001,
                         SILENT_MOST, &trigger->for_s))
        check_scans(reading, section, entry, trigger, trigger->for_s, SCANS_LEAST,
                    "silence is no edge for");
}

/* How long a level must hold. */
static void read_for(struct reading *reading, const struct document_section *section,
                     struct hookup_trigger *trigger) {
    if (reading_number(reading, section, "for", QUANTITY_SECONDS, 0, HOUR_S, &trigger->for_s))
        check_scans(reading, section, reading_entry(reading, section, "for"), trigger,
                    trigger->for_s, SCANS_LEAST, "a level must hold for");
}

/* Conditions of a channel. */
static void read_level(struct reading *reading, const struct document_section *section,
                       const struct document_entry *entry, struct hookup_trigger *trigger) {
    read_channel_name(reading, section, trigger);
    if (trigger->kind != TRIGGER_SILENT)
        read_for(reading, section, trigger);
    const struct document_entry *hysteresis = reading_entry(reading, section, "hysteresis");
    if (trigger->channel == CHANNEL_NONE) /* nobody can say in which unit the levels are */
        return;
    enum quantity quantity = channel_quantity(reading, trigger->channel);
    if (hysteresis && trigger->kind != TRIGGER_STEP)
        reading_quantity(reading, section, hysteresis, hysteresis->value, quantity, 0, LEVEL_MOST,
                         &trigger->hysteresis);
    if (trigger->kind == TRIGGER_OUTSIDE)
        read_band(reading, section, entry, quantity, trigger);
    else if (trigger->kind == TRIGGER_STEP)
        read_step(reading, section, entry, quantity, trigger);
    else if (trigger->kind == TRIGGER_SILENT)
        read_silent(reading, section, entry, trigger);
    else
        reading_quantity(reading, section, entry, entry->value, quantity, -LEVEL_MOST, LEVEL_MOST,
                         &trigger->level);
}

static void read_cranking(struct reading *reading, const struct document_section *section,
                          const struct document_entry *entry) {
    static const char *const words[] = {"cranking"};
    (void)reading_word(reading, section, entry, words, 1);
}

/* "cranking, running": the phases in which the trigger fires. */
static void read_when(struct reading *reading, const struct document_section *section,
                      struct hookup_trigger *trigger) {
    static const enum phase phases[] = {PHASE_KEY_OFF, PHASE_KEY_ON, PHASE_CRANKING, PHASE_RUNNING};
    const struct document_entry *entry = reading_entry(reading, section, "when");
    char *rest = entry ? arena_text(reading->arena, entry->value, strlen(entry->value)) : NULL;
    while (rest) {
        char *word = strsep(&rest, ",");
        word += strspn(word, " \t");
        word[strcspn(word, " \t")] = '\0';
        bool known = false;
        for (size_t i = 0; i < sizeof phases / sizeof phases[0]; i++)
            if (strcmp(word, phase_name(phases[i])) == 0) {
                known = true;
                trigger->when |= 1U << phases[i];
            }
        if (!known)
            reading_problem(reading, section, entry,
                            "\"%s\" is no phase; allowed, separated by commas: key-off, key-on, "
                            "cranking, running",
                            word);
    }
}

static void read_trigger(struct reading *reading, const struct document_section *section,
                         struct hookup_trigger *trigger) {
    const struct hookup_storage *storage = &reading->whole->hookup.storage;
    *trigger = (struct hookup_trigger){.name = section->name,
                                       .line = section->line,
                                       .channel = CHANNEL_NONE,
                                       .before_s = storage->before_s,
                                       .after_s = storage->after_s,
                                       .budget_s = storage->budget_s};
    const struct document_entry *entry = NULL;
    const struct condition *condition = read_condition(reading, section, &entry);
    if (condition) {
        trigger->kind = condition->kind;
        refuse_needless(reading, section, condition);
        if (condition->kind == TRIGGER_CRANKING_BEGINS || condition->kind == TRIGGER_CRANKING_ENDS)
            read_cranking(reading, section, entry);
        else
            read_level(reading, section, entry, trigger);
    }
    read_when(reading, section, trigger);
    reading_stretch(reading, section, &trigger->before_s, &trigger->after_s);
    reading_number(reading, section, "budget", QUANTITY_SECONDS, 0, HOUR_S, &trigger->budget_s);
    /* Without a condition nobody can say which keys belong to it. */
    if (condition)
        reading_rest(reading, section, trigger_keys, NULL);
}

void reading_triggers(struct reading *reading) {
    struct hookup *hookup = &reading->whole->hookup;
    struct hookup_trigger *triggers =
        reading_take(reading, (reading_count(reading, "trigger") + 1) * sizeof *triggers);
    if (!triggers)
        return;
    hookup->triggers = triggers;
    for (const struct document_section *section = reading_next(reading, NULL, "trigger"); section;
         section = reading_next(reading, section, "trigger"))
        if (reading_name(reading, section))
            read_trigger(reading, section, &triggers[hookup->trigger_count++]);
}
