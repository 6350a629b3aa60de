// SPDX-License-Identifier: Apache-2.0
/*
 * hookup_lead.c - the questions about one input, with its live reading above them.
 */
#include "hookup_talk.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define POINT_COUNTS 1000.0 /* from one of two points of a line to the other */
#define FILL_S       0.7    /* until the half second of a reading is whole */

/* An input and how it is shown. */
struct watched {
    struct hookup_live *live;
    size_t input;
    bool volts;
};

static void show(void *context, char *text, size_t size) {
    const struct watched *watched = context;
    struct watch_reading reading;
    struct intake_status status;
    if (!hookup_live_read(watched->live, watched->input, &reading) || !reading.fresh) {
        hookup_live_status(watched->live, &status);
        snprintf(text, size, "  nothing comes: board %s %.60s",
                 intake_board_state_name(status.state), status.why);
        return;
    }
    int digits = watched->volts ? 3 : 0;
    double edges = isfinite(reading.edges_per_s) ? reading.edges_per_s : 0;
    snprintf(text, size, "  now %.*f %s, lowest %.*f, highest %.*f, swing %.*f, %.0f edges/s",
             digits, reading.average, watched->volts ? "V at the input" : "counts", digits,
             reading.lowest, digits, reading.highest, digits, reading.highest - reading.lowest,
             edges);
}

/* ---- scales ---- */

static bool read_number(const char *text, double *number, const char **rest) {
    char *end;
    *number = strtod(text, &end);
    *rest = end + strspn(end, " ");
    return end != text && isfinite(*number);
}

static bool average(const struct watched *watched, double *value) {
    struct watch_reading reading;
    if (!hookup_live_read(watched->live, watched->input, &reading))
        return false;
    *value = reading.average;
    return true;
}

/*
 * `answer` as a factor, or ("12.4 V") what a meter shows at the lead now, from which the factor
 * follows. 0 where it is neither.
 */
static double factor_of(const struct watched *watched, const char *answer) {
    double number, now;
    const char *rest;
    if (!read_number(answer, &number, &rest) || number == 0)
        return 0;
    if (!*rest)
        return number;
    if (strcmp(rest, "V") != 0 && strcmp(rest, "v") != 0)
        return 0;
    if (!average(watched, &now) || fabs(now) < (watched->volts ? 0.1 : 10)) {
        puts("  the input reads too near 0 for that: give the factor itself");
        return 0;
    }
    return number / now;
}

static int ask_factor(struct watched *watched, const char *question, const char *standard,
                      double *factor) {
    char answer[ASK_BYTES];
    const struct ask_above above = {watched, show};
    for (*factor = 0; *factor == 0;) {
        int result = ask(question, standard, &above, answer);
        if (result < 0)
            return result;
        *factor = factor_of(watched, answer);
        if (*factor == 0)
            printf("  a number such as %s; or what a meter shows at the lead now, with its V: 12.4 "
                   "V\n",
                   watched->volts ? "5.7" : "0.0049");
    }
    return 0;
}

static int ask_volts(struct watched *watched, struct draft_lead *lead) {
    bool behind = lead->role == ROLE_BATTERY || lead->role == ROLE_SUPPLY ||
                  lead->role == ROLE_IGNITION || lead->role == ROLE_START_REQUEST;
    double factor, now = 0;
    int result =
        watched->volts
            ? ask_factor(watched,
                         behind ? "  Divider: volts at the lead a volt at the input, or what a "
                                  "meter shows there (12.4 V)"
                                : "  Divider (1: none), or what a meter shows there (4.98 V)",
                         "1", &factor)
            : ask_factor(watched, "  Volts a count, or what a meter shows there (4.98 V)", NULL,
                         &factor);
    if (result < 0)
        return result;
    if (!watched->volts)
        snprintf(lead->scale, sizeof lead->scale, "volts-per-count = %.6g\n", factor);
    else if (factor != 1)
        snprintf(lead->scale, sizeof lead->scale, "divider = %.5g\n", factor);
    if (average(watched, &now))
        printf("  = %.3f V at the lead now\n", now * factor);
    return 0;
}

/* A clamp: the present reading is its zero, where nothing flows. */
static int ask_amperes(struct watched *watched, struct draft_lead *lead) {
    static const char *const words[] = {"yes", "no"};
    double factor, zero = 0;
    int result = watched->volts
                     ? ask_factor(watched, "  Amperes a volt of the clamp", "100", &factor)
                     : ask_factor(watched, "  Amperes a count", NULL, &factor);
    if (result < 0)
        return result;
    int rests = ask_word("  Starter at rest now, so that this is the clamp's zero", words, 2, 0);
    if (rests < 0)
        return rests;
    if (rests == 0)
        (void)average(watched, &zero);
    if (!watched->volts)
        snprintf(lead->scale, sizeof lead->scale, "points = 0:%.6g, %.6g:%.6g\n", zero,
                 factor * POINT_COUNTS, zero + POINT_COUNTS);
    else
        snprintf(lead->scale, sizeof lead->scale, "amps-per-volt = %.6g\noffset = %.4g A\n", factor,
                 -zero * factor);
    return 0;
}

/* ---- sensors ---- */

static int ask_new_sensor(struct draft_sensor *sensor) {
    static const char *const kinds[] = {"hall", "inductive"};
    static const char *const shafts[] = {"crank", "cam"};
    static const char *const places[] = {"sensor", "ecu", "splice", "unknown"};
    int kind = ask_word("  Its kind", kinds, 2, 0);
    if (kind < 0)
        return kind;
    int shaft = ask_word("  It reads the shaft", shafts, 2, strncmp(sensor->name, "cam", 3) == 0);
    if (shaft < 0)
        return shaft;
    int place = ask_word("  The probes sit at the", places, 4, 0);
    if (place < 0)
        return place;
    sensor->kind = kind == 0 ? SENSOR_HALL : SENSOR_INDUCTIVE;
    sensor->shaft = shaft == 0 ? SHAFT_CRANK : SHAFT_CAM;
    if (place_from_name(places[place], &sensor->place) < 0)
        sensor->place = PLACE_UNKNOWN;
    int result = ask("  Its wheel: learn, or places and missing ones (36, 60-2)", "learn", NULL,
                     sensor->wheel);
    if (result == 0 && sensor->kind == SENSOR_HALL)
        result =
            ask("  Its signal is pulled up to: volts, feed or battery", "5", NULL, sensor->pull_up);
    return result;
}

/* The sensor that lacks this role, or the last; "crank" where there is none. */
static const char *likely_sensor(const struct draft *draft, size_t input, enum role role) {
    for (size_t i = 0; i < draft->sensor_count; i++) {
        bool has = false;
        for (size_t j = 0; j < draft->lead_count; j++)
            has = has || (j != input && draft->leads[j].used && draft->leads[j].role == role &&
                          strcmp(draft->leads[j].sensor, draft->sensors[i].name) == 0);
        if (!has)
            return draft->sensors[i].name;
    }
    return draft->sensor_count == 0 ? "crank" : draft->sensor_count == 1 ? "cam" : NULL;
}

static int ask_sensor(struct draft *draft, size_t input) {
    struct draft_lead *lead = &draft->leads[input];
    char answer[ASK_BYTES], standard[DRAFT_NAME_BYTES] = "";
    bool made = false;
    const char *likely = likely_sensor(draft, input, lead->role);
    if (likely)
        snprintf(standard, sizeof standard, "%s", likely);
    for (;;) {
        int result = ask("  Of which sensor (crank, cam, ...)", standard, NULL, answer);
        if (result < 0)
            return result;
        if (draft_name_is_good(answer) && strlen(answer) < 40)
            break;
        puts("  a short name without spaces and none of , ; : = \" ' / \\");
    }
    struct draft_sensor *sensor = draft_sensor(draft, answer, &made);
    if (!sensor)
        return -ENOSPC;
    snprintf(lead->sensor, sizeof lead->sensor, "%s", sensor->name);
    return made ? ask_new_sensor(sensor) : 0;
}

/* ---- the input ---- */

static void print_roles(void) {
    puts("  battery          the battery's positive post\n"
         "  feed return signal   the three wires of a sensor\n"
         "  starter-current  a clamp or shunt around the starter's cable\n"
         "  supply           the control unit's or main relay's supply\n"
         "  ground           engine or control-unit ground\n"
         "  ignition         the run line        start-request   what asks for the starter\n"
         "  command          injector or coil, through a rated probe ONLY\n"
         "  reference        a known voltage     switch  a push-button     other\n"
         "  -                nothing is on this input");
}

/* 1: there is a lead, of that role; 0: none. */
static int ask_role(struct watched *watched, enum role proposed, enum role *role) {
    char answer[ASK_BYTES];
    const struct ask_above above = {watched, show};
    for (;;) {
        int result =
            ask("  It is on: (? lists the roles, - nothing)", role_name(proposed), &above, answer);
        if (result < 0 || strcmp(answer, "-") == 0)
            return result;
        if (role_from_name(answer, role) == 0)
            return 1;
        print_roles();
    }
}

static int ask_rest(struct draft *draft, struct watched *watched, size_t input) {
    struct draft_lead *lead = &draft->leads[input];
    int result = 0;
    if (lead->role == ROLE_FEED || lead->role == ROLE_RETURN || lead->role == ROLE_SIGNAL)
        result = ask_sensor(draft, input);
    if (result == 0)
        result = lead->role == ROLE_STARTER_CURRENT ? ask_amperes(watched, lead)
                                                    : ask_volts(watched, lead);
    if (result == 0 && lead->role == ROLE_FEED)
        result = ask("  Its nominal voltage (volts, or battery)", "5", NULL, lead->nominal);
    if (result == 0 && lead->role == ROLE_REFERENCE)
        result = ask("  Its known voltage", NULL, NULL, lead->nominal);
    if (result < 0)
        return result;
    draft_name_lead(draft, input);
    printf("  -> %s\n", lead->name);
    return 0;
}

int hookup_ask_lead(struct draft *draft, struct hookup_live *live, size_t input) {
    struct board_description description = {0};
    struct watch_reading reading;
    char why[120] = "nothing comes from it";
    enum role role = ROLE_OTHER;
    bool known = hookup_live_described(live, &description);
    bool volts = known && isfinite(description.volts_per_count[input]);
    struct watched watched = {live, input, volts};
    int result = ask_pause(FILL_S);
    if (result < 0)
        return result;
    draft->leads[input] = (struct draft_lead){0};
    if (hookup_live_read(live, input, &reading))
        role = draft_propose(draft, input, &reading, volts, why, sizeof why);
    printf("\nInput %zu (%s)\n", input, why);
    result = ask_role(&watched, role, &role);
    if (result <= 0)
        return result;
    draft->leads[input].role = role;
    result = ask_rest(draft, &watched, input);
    draft->leads[input].used = result == 0;
    return result;
}
