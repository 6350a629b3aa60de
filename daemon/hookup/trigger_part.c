// SPDX-License-Identifier: Apache-2.0
/*
 * trigger_part.c - the sections [trigger NAME] and [storage].
 */
#include "phases.h"
#include "reading.h"

#include <math.h>
#include <string.h>

static const char *const trigger_keys[] = {"channel", "below", "above", "hysteresis",
                                           "for",     "when",  "begin", "end",
                                           "before",  "after", NULL};
static const char *const later_keys[] = {"outside", "step", "silent"};
static const char *const storage_keys[] = {"ring",        "memory", "snapshots", "keep-free",
                                           "loss-window", "before", "after",     NULL};

#define SCANS_LEAST  3 /* that a level must hold before it is believed */
#define STRETCH_MOST 600

/* What makes the trigger fire: exactly one of four keys. */
static const struct document_entry *read_condition(struct reading *reading,
                                                   const struct document_section *section,
                                                   struct hookup_trigger *trigger) {
    static const char *const keys[] = {"below", "above", "begin", "end"};
    const struct document_entry *given = NULL;
    bool later = false;
    for (size_t i = 0; i < sizeof later_keys / sizeof later_keys[0]; i++) {
        const struct document_entry *entry = reading_entry(reading, section, later_keys[i]);
        if (entry)
            reading_problem(reading, section, entry,
                            "this condition is not there yet: use below, above, begin or end");
        later = later || entry;
    }
    for (size_t i = 0; i < sizeof keys / sizeof keys[0]; i++) {
        const struct document_entry *entry = reading_entry(reading, section, keys[i]);
        if (entry && given)
            reading_problem(reading, section, entry,
                            "a trigger has one condition (%s stands in line %u): make another "
                            "[trigger NAME] for this one",
                            given->key, given->line);
        if (!entry || given)
            continue;
        given = entry;
        trigger->kind = i == 0   ? TRIGGER_BELOW
                        : i == 1 ? TRIGGER_ABOVE
                        : i == 2 ? TRIGGER_CRANKING_BEGINS
                                 : TRIGGER_CRANKING_ENDS;
    }
    if (!given && !later)
        reading_problem(reading, section, NULL,
                        "has no condition: below = LEVEL, above = LEVEL, begin = cranking or "
                        "end = cranking");
    return given;
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

/* A level must hold for three scans at least, where the rate is known. */
static void check_for(struct reading *reading, const struct document_section *section,
                      const struct hookup_trigger *trigger) {
    const struct hookup_whole *whole = reading->whole;
    if (trigger->channel == CHANNEL_NONE || !whole->fits[trigger->channel].has_board)
        return;
    double rate_hz = whole->boards[whole->channels[trigger->channel].stream].rate_hz;
    if (rate_hz > 0 && trigger->for_s * rate_hz < SCANS_LEAST * (1 - 1e-9))
        reading_problem(reading, section, reading_entry(reading, section, "for"),
                        "a level must hold for at least %d scans: %.6g s at this board's rate",
                        SCANS_LEAST, SCANS_LEAST / rate_hz);
}

static void read_level(struct reading *reading, const struct document_section *section,
                       const struct document_entry *condition, struct hookup_trigger *trigger) {
    read_channel_name(reading, section, trigger);
    const struct document_entry *hysteresis = reading_entry(reading, section, "hysteresis");
    if (trigger->channel != CHANNEL_NONE) { /* else nobody can say in which unit they are */
        enum quantity quantity = channel_quantity(reading, trigger->channel);
        reading_quantity(reading, section, condition, condition->value, quantity, -1e6, 1e6,
                         &trigger->level);
        if (hysteresis)
            reading_quantity(reading, section, hysteresis, hysteresis->value, quantity, 0, 1e6,
                             &trigger->hysteresis);
    }
    if (reading_number(reading, section, "for", QUANTITY_SECONDS, 0, 3600, &trigger->for_s))
        check_for(reading, section, trigger);
}

static void read_cranking(struct reading *reading, const struct document_section *section,
                          const struct document_entry *condition) {
    static const char *const words[] = {"cranking"};
    static const char *const needless[] = {"channel", "hysteresis", "for", "when"};
    (void)reading_word(reading, section, condition, words, 1);
    for (size_t i = 0; i < sizeof needless / sizeof needless[0]; i++) {
        const struct document_entry *entry = reading_entry(reading, section, needless[i]);
        if (entry)
            reading_problem(reading, section, entry,
                            "belongs to a level (below, above), not to the %s of cranking",
                            condition->key);
    }
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

static void read_stretch(struct reading *reading, const struct document_section *section,
                         double *before_s, double *after_s) {
    reading_number(reading, section, "before", QUANTITY_SECONDS, 0, STRETCH_MOST, before_s);
    reading_number(reading, section, "after", QUANTITY_SECONDS, 0, STRETCH_MOST, after_s);
}

static void read_trigger(struct reading *reading, const struct document_section *section,
                         struct hookup_trigger *trigger) {
    const struct hookup_storage *storage = &reading->whole->hookup.storage;
    *trigger = (struct hookup_trigger){.name = section->name,
                                       .line = section->line,
                                       .channel = CHANNEL_NONE,
                                       .before_s = storage->before_s,
                                       .after_s = storage->after_s};
    const struct document_entry *condition = read_condition(reading, section, trigger);
    if (condition && (trigger->kind == TRIGGER_BELOW || trigger->kind == TRIGGER_ABOVE))
        read_level(reading, section, condition, trigger);
    else if (condition)
        read_cranking(reading, section, condition);
    read_when(reading, section, trigger);
    read_stretch(reading, section, &trigger->before_s, &trigger->after_s);
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

static void read_bytes(struct reading *reading, const struct document_section *section,
                       const char *key, double lowest, double highest, uint64_t *bytes) {
    double number;
    if (reading_number(reading, section, key, QUANTITY_BYTES, lowest, highest, &number))
        *bytes = (uint64_t)number;
}

void reading_storage(struct reading *reading) {
    const double mebibyte = 1048576;
    const double most = 1e15;
    struct hookup_storage *storage = &reading->whole->hookup.storage;
    /* For a small computer with a 16 GB card: eight channels at 10 kS/s fill 4 GiB in a day. */
    *storage = (struct hookup_storage){.ring_bytes = 4ULL << 30,
                                       .memory_bytes = 8ULL << 20,
                                       .snapshot_bytes = 2ULL << 30,
                                       .keep_free_bytes = 512ULL << 20,
                                       .loss_window_s = 5,
                                       .before_s = 20,
                                       .after_s = 20};
    const struct document_section *section = reading_only(reading, "storage");
    if (!section)
        return;
    read_bytes(reading, section, "ring", mebibyte, most, &storage->ring_bytes);
    read_bytes(reading, section, "memory", mebibyte, 4096 * mebibyte, &storage->memory_bytes);
    read_bytes(reading, section, "snapshots", mebibyte, most, &storage->snapshot_bytes);
    read_bytes(reading, section, "keep-free", 0, most, &storage->keep_free_bytes);
    reading_number(reading, section, "loss-window", QUANTITY_SECONDS, 0.5, 60,
                   &storage->loss_window_s);
    read_stretch(reading, section, &storage->before_s, &storage->after_s);
    reading_rest(reading, section, storage_keys, NULL);
}
