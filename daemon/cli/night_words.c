// SPDX-License-Identifier: Apache-2.0
/*
 * night_words.c - a night in sentences.
 */
#include "night_words.h"

#include "night_study.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Below this a difference is beyond chance, as in `night`. */
#define DOUBT         0.05
#define READINGS_MOST 3
#define ALIKE_MOST    2

struct list {
    char **words;
    size_t count;
};

__attribute__((format(printf, 2, 3))) static void say(struct list *list, const char *format, ...) {
    va_list arguments;
    if (list->count == NIGHT_WORDS_MOST)
        return;
    va_start(arguments, format);
    int length = vasprintf(&list->words[list->count], format, arguments);
    va_end(arguments);
    if (length >= 0)
        list->count++;
}

/* One value where both ends read alike. */
static void range(double low, double high, const char *unit, char *text, size_t size) {
    int digits = strcmp(unit, "V") == 0 || fabs(high) < 10 ? 2 : 0;
    char from[24], to[24];
    snprintf(from, sizeof from, "%.*f", digits, low);
    snprintf(to, sizeof to, "%.*f", digits, high);
    if (strcmp(from, to) == 0)
        snprintf(text, size, "%s%s%s", to, *unit ? " " : "", unit);
    else
        snprintf(text, size, "%s to %s%s%s", from, to, *unit ? " " : "", unit);
}

/* A chance is said where it can mean something. */
static void say_reading(struct list *list, const struct night_reading *reading) {
    const struct contrast *c = &reading->contrast;
    char failed[64], started[64], chance[48] = "";
    range(c->failed_low, c->failed_high, reading->unit, failed, sizeof failed);
    range(c->started_low, c->started_high, reading->unit, started, sizeof started);
    if (c->chance_of_any < DOUBT)
        snprintf(chance, sizeof chance, " (by chance alone: %.0f %%)",
                 ceil(100 * c->chance_of_any));
    say(list, "%s: %s where it failed, %s where it started%s.", reading->name, failed, started,
        chance);
}

static void say_readings(struct list *list, const struct night_study *study) {
    size_t said = 0;
    for (size_t i = 0; study->readings && i < study->reading_count && said < READINGS_MOST; i++) {
        const struct contrast *c = &study->readings[i].contrast;
        bool found = strcmp(study->readings[i].unit, "yes") == 0; /* the verdicts say these */
        if (found || c->side == 0 || isnan(c->failed_low) || isnan(c->started_low))
            continue;
        if (said++ == 0 && c->chance_of_any >= DOUBT)
            say(list, "So few attempts prove nothing by numbers alone. What differed most:");
        say_reading(list, &study->readings[i]);
    }
    if (said == 0)
        say(list, "No reading set the failed apart from those that started.");
}

size_t night_words(const struct night *night, double since_s, char *words[NIGHT_WORDS_MOST]) {
    struct night_study study;
    struct list list = {.words = words};
    if (night_study(night, since_s, &study) < 0)
        return 0;
    if (study.attempt_count > 1)
        say(&list, "%zu attempts: %zu started, %zu failed.", study.attempt_count, study.started,
            study.failed);
    if (study.failed && study.started)
        say_readings(&list, &study);
    for (size_t i = 0; i < study.alike_count && i < ALIKE_MOST; i++)
        say(&list, "%s%s%s, %s: out of limits, but it was so in the good starts too.",
            study.alike[i].check, study.alike[i].channel ? " of " : "",
            study.alike[i].channel ? study.alike[i].channel : "", study.alike[i].phase);
    night_study_done(&study);
    return list.count;
}
