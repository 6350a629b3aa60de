// SPDX-License-Identifier: Apache-2.0
/*
 * night_study.c - readings out of the reports, compared; faults that recur; checks out alike.
 */
#include "night_study.h"

#include "json_value.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Readings this near to those of the good starts are the same (common practice, no source). */
#define SAME_SHARE 0.02
/* Losses that end this near to each other in two snapshots are one. */
#define SAME_LOSS_S 0.001

int night_outcome(const struct night_row *row) {
    static const char *const failures[] = {"did-not-start", "did-not-crank",
                                           "started-then-stopped"};
    const char *outcome = text_of(row->attempt, "outcome");
    for (size_t i = 0; outcome && i < sizeof failures / sizeof failures[0]; i++)
        if (strcmp(outcome, failures[i]) == 0)
            return 1;
    return outcome && strcmp(outcome, "started") == 0 ? -1 : 0;
}

double night_wall(const struct night_row *row) {
    return number_of(row->report, "wall_s") + number_of(row->attempt, "from_s");
}

/* Is the object one of the row's attempt? */
static bool belongs(const struct night_row *row, const json_t *object) {
    return json_equal(json_object_get(object, "attempt"), json_object_get(row->attempt, "number"));
}

/* ---- the table of readings ---- */

struct table {
    struct night_reading *readings;
    double *values; /* reading x attempt */
    size_t count, attempts;
};

/* The row of that reading, made when it is new; NULL without memory. */
static double *table_row(struct table *table, const char *name, const char *unit, double absent) {
    for (size_t i = 0; i < table->count; i++)
        if (strcmp(table->readings[i].name, name) == 0)
            return table->values + i * table->attempts;
    size_t count = table->count + 1;
    struct night_reading *readings = realloc(table->readings, count * sizeof *readings);
    if (readings)
        table->readings = readings;
    double *values = realloc(table->values, count * table->attempts * sizeof *values);
    if (values)
        table->values = values;
    if (!readings || !values)
        return NULL;
    struct night_reading *reading = &readings[table->count];
    memset(reading, 0, sizeof *reading);
    snprintf(reading->name, sizeof reading->name, "%s", name);
    snprintf(reading->unit, sizeof reading->unit, "%s", unit ? unit : "");
    double *row = values + table->count * table->attempts;
    for (size_t i = 0; i < table->attempts; i++)
        row[i] = absent;
    table->count = count;
    return row;
}

static int table_set(struct table *table, const char *name, const char *unit, double absent,
                     size_t attempt, double value) {
    if (isnan(value))
        return 0;
    double *row = table_row(table, name, unit, absent);
    if (!row)
        return -ENOMEM;
    row[attempt] = value;
    return 0;
}

/* What comes after the outcome (running) is its consequence; before the key nothing is fed. */
static bool phase_counts(const char *phase) {
    return phase && (strcmp(phase, "key-on") == 0 || strcmp(phase, "cranking") == 0);
}

static int add_level(struct table *table, size_t attempt, const json_t *channel,
                     const json_t *level) {
    static const struct {
        const char *key, *word, *unit; /* unit NULL: the channel's */
    } kinds[] = {
        {"lowest", "lowest", NULL},         {"highest", "highest", NULL},
        {"average", "average", NULL},       {"low", "low state", NULL},
        {"high", "high state", NULL},       {"duty", "duty", ""},
        {"edges_per_s", "edges per s", ""},
    };
    int result = 0;
    for (size_t i = 0; i < sizeof kinds / sizeof kinds[0] && result == 0; i++) {
        char name[112];
        snprintf(name, sizeof name, "%s, %s: %s", text_of(channel, "channel"),
                 text_of(level, "phase"), kinds[i].word);
        result = table_set(table, name, kinds[i].unit ? kinds[i].unit : text_of(channel, "unit"),
                           (double)NAN, attempt, number_of(level, kinds[i].key));
    }
    return result;
}

static int add_levels(struct table *table, size_t attempt, const struct night_row *row) {
    size_t i, j;
    json_t *channel, *level;
    int result = 0;
    json_array_foreach(json_object_get(row->report, "channels"), i, channel) json_array_foreach(
        json_object_get(channel, "levels"), j,
        level) if (result == 0 && belongs(row, level) && phase_counts(text_of(level, "phase")))
        result = add_level(table, attempt, channel, level);
    return result;
}

static int add_findings(struct table *table, size_t attempt, const struct night_row *row) {
    size_t i;
    json_t *finding;
    int result = 0;
    json_array_foreach(json_object_get(row->report, "findings"), i, finding) {
        if (result < 0 || !belongs(row, finding))
            continue;
        char name[112];
        const char *channel = text_of(finding, "channel");
        const char *sensor = text_of(finding, "sensor");
        snprintf(name, sizeof name, "%s of %s found", text_of(finding, "fault"),
                 channel  ? channel
                 : sensor ? sensor
                          : "the vehicle");
        result = table_set(table, name, "yes", 0.0, attempt, 1.0);
    }
    return result;
}

static int by_weight(const void *a, const void *b) {
    const struct night_reading *x = a;
    const struct night_reading *y = b;
    if (x->contrast.chance < y->contrast.chance || x->contrast.chance > y->contrast.chance)
        return x->contrast.chance < y->contrast.chance ? -1 : 1;
    if (x->contrast.gap < y->contrast.gap || x->contrast.gap > y->contrast.gap)
        return x->contrast.gap > y->contrast.gap ? -1 : 1;
    return strcmp(x->name, y->name);
}

/* Compares in the attempts that failed or started; the rest of them are left out. */
static int compare(struct night_study *study) {
    size_t most = study->attempt_count + 1;
    const struct night_row **rows = calloc(most, sizeof *rows);
    bool *failed = calloc(most, sizeof *failed);
    struct table table = {0};
    int result = rows && failed ? 0 : -ENOMEM;
    for (size_t i = 0; i < study->attempt_count && result == 0; i++)
        if (night_outcome(study->attempts[i])) {
            failed[table.attempts] = night_outcome(study->attempts[i]) > 0;
            rows[table.attempts++] = study->attempts[i];
        }
    for (size_t i = 0; i < table.attempts && result == 0; i++) {
        result = table_set(&table, "engine speed while cranking", "rpm", (double)NAN, i,
                           number_of(rows[i]->attempt, "rpm"));
        if (result == 0)
            result = add_levels(&table, i, rows[i]);
        if (result == 0)
            result = add_findings(&table, i, rows[i]);
    }
    struct contrast *contrasts = calloc(table.count + 1, sizeof *contrasts);
    if (!contrasts)
        result = -ENOMEM;
    if (result == 0)
        result = contrast_compare(failed, table.attempts, table.values, table.count, contrasts);
    for (size_t i = 0; i < table.count && result == 0; i++)
        table.readings[i].contrast = contrasts[i];
    if (table.count && result == 0)
        qsort(table.readings, table.count, sizeof *table.readings, by_weight);
    study->readings = table.readings;
    study->reading_count = table.count;
    free(contrasts);
    free(table.values);
    free(failed);
    free(rows);
    return result;
}

/* ---- what recurs ---- */

static void add_repeat(struct night_study *study, const struct night_row *row) {
    const json_t *verdict = json_object_get(row->attempt, "verdict");
    const char *fault = text_of(verdict, "fault");
    const char *sensor = text_of(verdict, "sensor");
    const char *subject = sensor ? sensor : text_of(verdict, "channel");
    double after = number_of(verdict, "at_s") - number_of(row->attempt, "from_s");
    size_t i = 0;
    while (i < study->repeat_count && !(same_text(study->repeats[i].fault, fault) &&
                                        same_text(study->repeats[i].subject, subject)))
        i++;
    struct night_repeat *repeat = &study->repeats[i];
    if (i == study->repeat_count) {
        *repeat = (struct night_repeat){fault, subject, 0, after, after};
        study->repeat_count++;
    }
    repeat->times++;
    repeat->after_low_s = fmin(repeat->after_low_s, after);
    repeat->after_high_s = fmax(repeat->after_high_s, after);
}

static int by_times(const void *a, const void *b) {
    const struct night_repeat *x = a;
    const struct night_repeat *y = b;
    return (x->times < y->times) - (x->times > y->times);
}

/* ---- out of limits alike ---- */

/* What the check measured where it failed; NAN: it passed, or measured nothing. */
static double measured_out(const struct night_row *row, const struct night_alike *alike) {
    size_t i;
    json_t *check;
    json_array_foreach(json_object_get(row->report, "checks"), i,
                       check) if (belongs(row, check) &&
                                  same_text(text_of(check, "result"), "fail") &&
                                  same_text(text_of(check, "check"), alike->check) &&
                                  same_text(text_of(check, "channel"), alike->channel) &&
                                  same_text(text_of(check, "phase"),
                                            alike->phase)) return number_of(check, "measured");
    return (double)NAN;
}

/* Out in all that started, and in no failed one further than there. */
static bool equally_out(const struct night_study *study, const struct night_alike *alike) {
    double low = (double)NAN;
    double high = (double)NAN;
    for (size_t i = 0; i < study->attempt_count; i++) {
        if (night_outcome(study->attempts[i]) >= 0)
            continue;
        double measured = measured_out(study->attempts[i], alike);
        if (isnan(measured))
            return false;
        low = fmin(low, measured);
        high = fmax(high, measured);
    }
    if (isnan(low))
        return false;
    double margin = SAME_SHARE * fmax(fabs(low), fabs(high));
    for (size_t i = 0; i < study->attempt_count; i++) {
        double measured = measured_out(study->attempts[i], alike);
        if (night_outcome(study->attempts[i]) > 0 &&
            (measured < low - margin || measured > high + margin))
            return false;
    }
    return true;
}

static bool is_listed(const struct night_study *study, const struct night_alike *alike) {
    for (size_t i = 0; i < study->alike_count; i++)
        if (same_text(study->alike[i].check, alike->check) &&
            same_text(study->alike[i].channel, alike->channel) &&
            same_text(study->alike[i].phase, alike->phase))
            return true;
    return false;
}

static int add_alike(struct night_study *study, const struct night_row *row) {
    size_t i;
    json_t *check;
    json_array_foreach(json_object_get(row->report, "checks"), i, check) {
        struct night_alike alike = {text_of(check, "check"), text_of(check, "channel"),
                                    text_of(check, "phase")};
        if (!belongs(row, check) || !same_text(text_of(check, "result"), "fail") ||
            is_listed(study, &alike) || !equally_out(study, &alike))
            continue;
        struct night_alike *grown = realloc(study->alike, (study->alike_count + 1) * sizeof *grown);
        if (!grown)
            return -ENOMEM;
        study->alike = grown;
        study->alike[study->alike_count++] = alike;
    }
    return 0;
}

/* ---- attempts and losses ---- */

static void choose_attempts(const struct night *night, double since_s, struct night_study *study) {
    for (size_t i = 0; i < night->row_count; i++) {
        const struct night_row *row = &night->rows[i];
        if (!row->attempt || night_wall(row) < since_s) /* a NAN is not less */
            continue;
        study->attempts[study->attempt_count++] = row;
        int outcome = night_outcome(row);
        size_t *counter = outcome > 0   ? &study->failed
                          : outcome < 0 ? &study->started
                                        : &study->other;
        ++*counter;
    }
}

/* Snapshots may overlap: is the loss in an earlier one too? (Imported: each is its own.) */
static bool loss_is_counted(const struct night *night, size_t index, const json_t *loss) {
    double begin = number_of(night->reports[index], "elapsed_s");
    for (size_t i = 0; i < index && begin > 0; i++) {
        double apart = begin - number_of(night->reports[i], "elapsed_s");
        size_t j;
        json_t *other;
        json_array_foreach(json_object_get(night->reports[i], "losses"), j,
                           other) if (same_text(text_of(other, "board"), text_of(loss, "board")) &&
                                      fabs(apart + number_of(loss, "to_s") -
                                           number_of(other, "to_s")) < SAME_LOSS_S) return true;
    }
    return false;
}

static void count_losses(const struct night *night, double since_s, struct night_study *study) {
    for (size_t i = 0; i < night->entry_count; i++) {
        const json_t *report = night->reports[i];
        size_t j;
        json_t *loss;
        json_array_foreach(json_object_get(report, "losses"), j, loss) {
            if (number_of(report, "wall_s") + number_of(loss, "to_s") < since_s ||
                loss_is_counted(night, i, loss))
                continue;
            double scans = number_of(loss, "scans");
            study->losses++;
            study->losses_of_unknown_size += isnan(scans) ? 1 : 0;
            study->lost_scans += isnan(scans) ? 0.0 : scans;
        }
    }
}

int night_study(const struct night *night, double since_s, struct night_study *study) {
    struct night_study made = {0};
    made.attempts = calloc(night->row_count + 1, sizeof(struct night_row *));
    made.repeats = calloc(night->row_count + 1, sizeof *made.repeats);
    int result = made.attempts && made.repeats ? 0 : -ENOMEM;
    if (result == 0) {
        choose_attempts(night, since_s, &made);
        count_losses(night, since_s, &made);
        result = compare(&made);
    }
    for (size_t i = 0; i < made.attempt_count && result == 0; i++)
        if (night_outcome(made.attempts[i]) > 0) {
            add_repeat(&made, made.attempts[i]);
            result = add_alike(&made, made.attempts[i]);
        }
    if (result < 0) {
        night_study_done(&made);
        return result;
    }
    if (made.repeat_count)
        qsort(made.repeats, made.repeat_count, sizeof *made.repeats, by_times);
    *study = made;
    return 0;
}

void night_study_done(struct night_study *study) {
    free(study->attempts);
    free(study->readings);
    free(study->repeats);
    free(study->alike);
    *study = (struct night_study){0};
}
