// SPDX-License-Identifier: Apache-2.0
/*
 * hookup_draft.c - what a reading looks like, and the hookup file.
 */
#include "hookup_draft.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* What tells one lead from another before anything is known. Common practice, no source. */
#define SWING_VOLTS   0.5 /* less is no on/off signal */
#define RETURN_VOLTS  0.2 /* a return stays within it */
#define FEED_LOWEST   4.5 /* of a 5 V feed */
#define FEED_HIGHEST  5.5
#define BATTERY_VOLTS 7.5 /* nothing but the battery's side is higher */

static size_t count_role(const struct draft *draft, size_t except, enum role role) {
    size_t count = 0;
    for (size_t i = 0; i < draft->lead_count; i++)
        count += i != except && draft->leads[i].used && draft->leads[i].role == role;
    return count;
}

static enum role propose_level(const struct draft *draft, size_t input, double volts,
                               const char **why) {
    bool battery = count_role(draft, input, ROLE_BATTERY) > 0;
    size_t feeds = count_role(draft, input, ROLE_FEED);
    if (volts >= BATTERY_VOLTS) {
        *why = battery ? "a steady battery level, and the battery is there already"
                       : "a steady battery level";
        return battery ? ROLE_SUPPLY : ROLE_BATTERY;
    }
    if (!battery && volts > RETURN_VOLTS && !(volts >= FEED_LOWEST && volts <= FEED_HIGHEST)) {
        *why = "steady: the battery behind a divider?";
        return ROLE_BATTERY;
    }
    if (volts >= FEED_LOWEST && volts <= FEED_HIGHEST) {
        bool signal = feeds > count_role(draft, input, ROLE_SIGNAL);
        *why = signal ? "steady near 5 V: a signal at rest, or a feed"
                      : "steady near 5 V: a feed, or a signal at rest";
        return signal ? ROLE_SIGNAL : ROLE_FEED;
    }
    if (fabs(volts) <= RETURN_VOLTS && feeds > count_role(draft, input, ROLE_RETURN)) {
        *why = "steady near 0 V: a return, or no lead at all";
        return ROLE_RETURN;
    }
    *why = fabs(volts) <= RETURN_VOLTS
               ? "near 0 V: key off, a signal at rest, a clamp at zero, or no lead at all"
               : "steady, of no level that tells";
    return ROLE_OTHER;
}

enum role draft_propose(const struct draft *draft, size_t input,
                        const struct watch_reading *reading, bool volts, char *why, size_t size) {
    const char *text = "counts, not volts: only edges would tell";
    enum role role = ROLE_OTHER;
    if (reading->edges_per_s > 0 && (!volts || reading->highest - reading->lowest >= SWING_VOLTS)) {
        role = ROLE_SIGNAL;
        text = "it switches: a signal";
    } else if (volts) {
        role = propose_level(draft, input, reading->average, &text);
    }
    snprintf(why, size, "%s", text);
    return role;
}

static bool name_is_taken(const struct draft *draft, size_t except, const char *name) {
    for (size_t i = 0; i < draft->lead_count; i++)
        if (i != except && draft->leads[i].used && strcmp(draft->leads[i].name, name) == 0)
            return true;
    return false;
}

void draft_name_lead(struct draft *draft, size_t input) {
    struct draft_lead *lead = &draft->leads[input];
    char base[2 * DRAFT_NAME_BYTES];
    snprintf(base, sizeof base, "%s%s%s", lead->sensor, *lead->sensor ? "-" : "",
             role_name(lead->role));
    snprintf(lead->name, sizeof lead->name, "%.48s", base);
    for (unsigned number = 2; name_is_taken(draft, input, lead->name); number++)
        snprintf(lead->name, sizeof lead->name, "%.44s-%u", base, number % 1000);
}

struct draft_sensor *draft_sensor(struct draft *draft, const char *name, bool *made) {
    if (made)
        *made = false;
    for (size_t i = 0; i < draft->sensor_count; i++)
        if (strcmp(draft->sensors[i].name, name) == 0)
            return &draft->sensors[i];
    if (draft->sensor_count == BOARD_INPUTS_MAX)
        return NULL;
    struct draft_sensor *sensor = &draft->sensors[draft->sensor_count++];
    *sensor = (struct draft_sensor){.kind = SENSOR_HALL};
    snprintf(sensor->name, sizeof sensor->name, "%s", name);
    if (made)
        *made = true;
    return sensor;
}

bool draft_name_is_good(const char *name) {
    return *name && strlen(name) < DRAFT_NAME_BYTES && !strpbrk(name, " \t,;:=\"'/\\");
}

/* ---- the file ---- */

static void put(FILE *file, const char *key, const char *value) {
    if (*value)
        fprintf(file, "%s = %s\n", key, value);
}

static void put_vehicle(FILE *file, const struct draft *draft) {
    fputs("; Which lead is where; docs/hookup.md explains every key.\n\n[vehicle]\n", file);
    put(file, "name", draft->vehicle);
    put(file, "complaint", draft->complaint);
    put(file, "cylinders", draft->cylinders);
    put(file, "system", draft->system);
    put(file, "ground", ground_point_name(draft->ground));
    fprintf(file, "\n[board logger]\n%s", draft->board);
}

static void put_lead(FILE *file, const struct draft *draft, size_t input) {
    const struct draft_lead *lead = &draft->leads[input];
    fprintf(file, "\n[channel %s]\nboard = logger\ninput = %zu\nrole = %s\n%s", lead->name, input,
            role_name(lead->role), lead->scale);
    put(file, "nominal", lead->nominal);
    for (size_t i = 0; *lead->sensor && i < draft->sensor_count; i++)
        if (strcmp(draft->sensors[i].name, lead->sensor) == 0 &&
            draft->sensors[i].place != PLACE_UNKNOWN)
            put(file, "measured-at", place_name(draft->sensors[i].place));
}

/* The sensor's lead of that role, or NULL. */
static const char *lead_of(const struct draft *draft, const char *sensor, enum role role) {
    for (size_t i = 0; i < draft->lead_count; i++) {
        const struct draft_lead *lead = &draft->leads[i];
        if (lead->used && lead->role == role && strcmp(lead->sensor, sensor) == 0)
            return lead->name;
    }
    return NULL;
}

static void put_sensor(FILE *file, const struct draft *draft, const struct draft_sensor *sensor) {
    static const enum role roles[] = {ROLE_FEED, ROLE_RETURN, ROLE_SIGNAL};
    const char *name[3];
    for (size_t i = 0; i < 3; i++)
        name[i] = lead_of(draft, sensor->name, roles[i]);
    if (!name[0] && !name[1] && !name[2])
        return; /* all of its leads were put elsewhere later */
    fprintf(file, "\n[sensor %s]\nkind = %s\n", sensor->name, sensor_kind_name(sensor->kind));
    for (size_t i = 0; i < 3; i++)
        if (name[i])
            put(file, role_name(roles[i]), name[i]);
    put(file, "pull-up", sensor->kind == SENSOR_HALL ? sensor->pull_up : "");
    put(file, "shaft", shaft_name(sensor->shaft));
    put(file, "wheel", sensor->wheel);
}

char *draft_text(const struct draft *draft) {
    char *text = NULL;
    size_t length = 0;
    FILE *file = open_memstream(&text, &length);
    if (!file)
        return NULL;
    put_vehicle(file, draft);
    for (size_t i = 0; i < draft->lead_count; i++)
        if (draft->leads[i].used)
            put_lead(file, draft, i);
    for (size_t i = 0; i < draft->sensor_count; i++)
        put_sensor(file, draft, &draft->sensors[i]);
    bool failed = ferror(file) != 0;
    if (fclose(file) != 0 || failed) {
        free(text);
        return NULL;
    }
    return text;
}
