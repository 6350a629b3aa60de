// SPDX-License-Identifier: Apache-2.0
/*
 * night_command.c - `cranktrap night`: what the technician reads in the morning.
 */
#include "chance.h"

#include "command.h"
#include "json_value.h"
#include "moment.h"
#include "night.h"
#include "night_study.h"
#include "page.h"
#include "print.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

/* Below this a difference is beyond chance: 95 %, as in the interval and the clean starts. */
#define DOUBT 0.05
/* Readings printed, and where nothing can be said yet; all are in --json. */
#define SHOWN     10
#define SHOWN_FEW 5
/* More attempts than this are not asked for. */
#define MORE 200

struct repair {
    double share, low, high; /* failed among failed and started, exact 95 % interval */
    unsigned clean_5, clean_1, clean_5_at_low; /* starts in a row; 0: none would do */
};

static struct repair repair_of(const struct night_study *study) {
    unsigned failed = (unsigned)study->failed;
    unsigned all = (unsigned)(study->failed + study->started);
    struct repair repair = {.share = all ? failed / (double)all : 0};
    chance_interval(failed, all, &repair.low, &repair.high);
    repair.clean_5 = chance_clean_starts(repair.share, 0.05);
    repair.clean_1 = chance_clean_starts(repair.share, 0.01);
    repair.clean_5_at_low = chance_clean_starts(repair.low, 0.05);
    return repair;
}

/* How improbable a reading of the night can get at all: outside all others, on either side. */
static double least_chance(size_t failed, size_t started) {
    if (failed == 0 || started == 0)
        return 1.0;
    return fmin(1.0, 2.0 / chance_ways((unsigned)(failed + started), (unsigned)failed));
}

/* More attempts until something could be said; 0: it can be, or MORE would not do. */
static unsigned wanted(const struct night_study *study, bool failed) {
    for (unsigned more = 0; more <= MORE; more++)
        if (least_chance(study->failed + (failed ? more : 0),
                         study->started + (failed ? 0 : more)) <= DOUBT)
            return more;
    return 0;
}

/* As ISO 8601, or "01-15 04:12:07"; "-": not known. */
static void wall_text(const struct night_row *row, bool iso, char *out, size_t size) {
    double wall = night_wall(row);
    time_t seconds = (time_t)(isnan(wall) ? 0 : wall);
    struct tm local;
    if (isnan(wall) || !localtime_r(&seconds, &local) ||
        !(iso ? strftime(out, size, "%Y-%m-%dT%H:%M:%S%z", &local)
              : strftime(out, size, "%m-%d %H:%M:%S", &local)))
        snprintf(out, size, "-");
}

/* ---- for a person ---- */

__attribute__((format(printf, 1, 2))) static void say(const char *format, ...) {
    const struct page page = {.stream = stdout, .width = print_width(stdout)};
    va_list arguments;
    va_start(arguments, format);
    page_vsay(&page, "  ", format, arguments);
    va_end(arguments);
}

static const char *plural(size_t count) {
    return count == 1 ? "" : "s";
}

/* Numbered as `list` and `report` number them: by snapshot. */
static void print_attempt(const struct night_row *row) {
    char wall[32], elapsed[32], verdict[80];
    wall_text(row, false, wall, sizeof wall);
    print_duration(row->elapsed_s, elapsed, sizeof elapsed);
    const json_t *found = json_object_get(row->attempt, "verdict");
    const char *subject =
        text_of(found, "sensor") ? text_of(found, "sensor") : text_of(found, "channel");
    snprintf(verdict, sizeof verdict, "%s%s%s", text_of(found, "fault"), subject ? " of " : "",
             subject ? subject : "");
    printf("%s%4u %-14s %-11s %-20s %s\n", night_outcome(row) > 0 ? "*" : " ", row->snapshot, wall,
           elapsed, text_of(row->attempt, "outcome"), verdict);
}

static void print_attempts(const struct night_study *study) {
    printf(" %4s %-14s %-11s %-20s %s\n", "No.", "time", "elapsed", "outcome", "verdict");
    for (size_t i = 0; i < study->attempt_count; i++)
        print_attempt(study->attempts[i]);
    printf("%zu attempt%s: %zu started, %zu failed (*)", study->attempt_count,
           plural(study->attempt_count), study->started, study->failed);
    if (study->other)
        printf(", %zu released early or not known", study->other);
    puts("");
    if (study->losses == 0) {
        puts("No scan was lost in these snapshots.");
        return;
    }
    char scans[32];
    printf("%zu loss%s in these snapshots: %s scan%s", study->losses,
           study->losses == 1 ? "" : "es", print_count(study->lost_scans, scans, sizeof scans),
           study->lost_scans > 1 || study->lost_scans < 1 ? "s" : "");
    if (study->losses_of_unknown_size)
        printf(", and %zu of unknown size", study->losses_of_unknown_size);
    puts("\n(`cranktrap report NUMBER` tells where)");
}

static const char *range_text(const struct night_reading *reading, double low, double high,
                              char *out, size_t size) {
    if (strcmp(reading->unit, "yes") == 0)
        return low > 0.5 ? "in all" : high > 0.5 ? "in some" : "in none";
    if (isnan(low))
        snprintf(out, size, "-");
    else if (high - low < 0.005 * fabs(high))
        snprintf(out, size, "%.4g", high);
    else
        snprintf(out, size, "%.3g..%.3g", low, high);
    return out;
}

static bool is_shown(const struct contrast *contrast) {
    return contrast->side != 0 || contrast->chance_of_any < DOUBT;
}

static void print_reading(const struct night_reading *reading) {
    const struct contrast *c = &reading->contrast;
    char failed[32], started[32];
    printf("  %-34.34s %-3.3s %-16s %-16s %3.0f %%\n", reading->name,
           strcmp(reading->unit, "yes") == 0 ? "" : reading->unit,
           range_text(reading, c->failed_low, c->failed_high, failed, sizeof failed),
           range_text(reading, c->started_low, c->started_high, started, sizeof started),
           ceil(100 * c->chance_of_any));
}

static void print_readings(const struct night_study *study, size_t most) {
    size_t shown = 0, all = 0;
    for (size_t i = 0; study->readings && i < study->reading_count; i++) {
        if (!is_shown(&study->readings[i].contrast))
            continue;
        if (all++ == 0)
            printf("\n  %-34s %-3s %-16s %-14s %s\n", "reading", "", "failed", "started", "chance");
        if (shown < most) {
            print_reading(&study->readings[i]);
            shown++;
        }
    }
    if (all > shown)
        printf("  ... and %zu more (--json has all)\n", all - shown);
    if (all)
        say("chance: how often any of the %zu readings compared would be as far apart, if it had "
            "nothing to do with the failing. What follows from a failure differs too: the first "
            "to go is in the report of the attempt.",
            study->reading_count);
}

/* Too few: says so, and what would do. True when it is so. */
static bool say_too_few(const struct night_study *study) {
    double least = least_chance(study->failed, study->started);
    if (least <= DOUBT)
        return false;
    unsigned failed = wanted(study, true);
    unsigned started = wanted(study, false);
    say("Nothing can be said yet: with %zu failed and %zu started, chance alone puts a given "
        "reading outside all the others %.0f times in 100.",
        study->failed, study->started, 100 * least);
    if (failed && started)
        say("Needed at least: %u more failed attempt%s, or %u more that start%s.", failed,
            plural(failed), started, started == 1 ? "s" : "");
    else if (failed || started)
        say("Needed at least: %u more %s.", failed ? failed : started,
            failed ? "failed attempts" : "that start");
    return true;
}

static void say_contrast(const struct night_study *study) {
    printf("\nWhat was different in the failed attempt%s\n", study->failed == 1 ? "" : "s");
    if (study->failed == 0 || study->started == 0) {
        say("%s", study->failed    ? "No attempt started: there is no good one to compare with."
                  : study->started ? "No attempt failed: there is nothing to compare."
                                   : "There is no attempt whose outcome is known.");
        return;
    }
    const struct night_reading *first = study->reading_count ? study->readings : NULL;
    bool few = say_too_few(study);
    if (!few && first && first->contrast.chance_of_any < DOUBT) {
        const struct contrast *c = &first->contrast;
        if (c->side && strcmp(first->unit, "yes") != 0)
            say("In all %zu failed attempts \"%s\" was %s than in any of the %zu that started; by "
                "chance that happens once in %.0f.",
                c->failed, first->name, c->side < 0 ? "lower" : "higher", c->started,
                chance_ways((unsigned)(c->failed + c->started), (unsigned)c->failed));
        else
            say("\"%s\" goes with the failing; by chance that happens once in %.0f.", first->name,
                1 / c->chance);
    } else if (!few) {
        say("No reading differs beyond chance: of %zu compared, some are always apart.",
            study->reading_count);
    }
    print_readings(study, few ? SHOWN_FEW : SHOWN);
}

static void say_alike(const struct night_study *study) {
    if (study->alike_count == 0)
        return;
    puts("\nOut of limits, but it was so in the good starts too: not what decided it");
    for (size_t i = 0; i < study->alike_count; i++)
        printf("  %s%s%s, %s\n", study->alike[i].check, study->alike[i].channel ? " of " : "",
               study->alike[i].channel ? study->alike[i].channel : "", study->alike[i].phase);
}

static void say_repeat(const struct night_repeat *repeat, size_t failed) {
    char when[64] = "";
    if (repeat->after_high_s - repeat->after_low_s >= 0.05)
        snprintf(when, sizeof when, ", %.1f to %.1f s after the starter engaged",
                 repeat->after_low_s, repeat->after_high_s);
    else if (!isnan(repeat->after_low_s))
        snprintf(when, sizeof when, ", %.2f s after the starter engaged", repeat->after_low_s);
    if (repeat->fault && strcmp(repeat->fault, "nothing-found") == 0)
        say("no fault by itself: in %zu of %zu; the readings above say how these differ",
            repeat->times, failed);
    else
        say("%s%s%s: in %zu of %zu%s", repeat->fault ? repeat->fault : "-",
            repeat->subject ? " of " : "", repeat->subject ? repeat->subject : "", repeat->times,
            failed, when);
}

static void say_repeats(const struct night_study *study) {
    if (study->failed == 0)
        return;
    printf("\nWhat the failed attempt%s %s\n", plural(study->failed),
           study->failed == 1 ? "showed" : "have in common");
    for (size_t i = 0; i < study->repeat_count; i++)
        say_repeat(&study->repeats[i], study->failed);
    if (study->failed == 1)
        say("One failed attempt: whether it recurs is not known yet.");
}

static void say_repair(const struct night_study *study) {
    struct repair repair = repair_of(study);
    size_t all = study->failed + study->started;
    if (all == 0)
        return;
    puts("\nHow many clean starts prove a repair");
    if (study->failed == 0) {
        say("None of %zu failed. The share that fails is below %.0f %% (95 %%); how many clean "
            "starts prove a repair cannot be said before one has failed.",
            all, ceil(100 * repair.high));
        return;
    }
    say("%zu of %zu failed: %.0f %% (exact 95 %% interval %.3g to %.3g %%). If that share is "
        "right, "
        "%u clean start%s in a row leave%s less than 5 %% doubt that the fault is still there, %u "
        "less than 1 %%. Were it only %.2g %%, it would take %u.",
        study->failed, all, 100 * repair.share, 100 * repair.low, 100 * repair.high, repair.clean_5,
        plural(repair.clean_5), repair.clean_5 == 1 ? "s" : "", repair.clean_1, 100 * repair.low,
        repair.clean_5_at_low);
    say("They count when they are as cold and as far apart as those that failed. Before each: out "
        "of gear, brake on, nobody at belts or fan, exhaust led outside; let the starter cool.");
}

static void print_night(const struct night_study *study) {
    if (study->attempt_count == 0) {
        puts("No attempt to start was caught in that time.");
        return;
    }
    print_attempts(study);
    say_contrast(study);
    say_alike(study);
    say_repeats(study);
    say_repair(study);
}

/* ---- for a program ---- */

static json_t *number(double value) {
    return isfinite(value) ? json_real(value) : json_null();
}

static json_t *attempt_json(const struct night_row *row) {
    char wall[40];
    wall_text(row, true, wall, sizeof wall);
    int outcome = night_outcome(row);
    return json_pack("{s:i, s:s, s:s?, s:f, s:s?, s:b, s:O?}", "number", (int)row->snapshot, "file",
                     row->path, "wall", wall[0] == '-' ? NULL : wall, "elapsed_s", row->elapsed_s,
                     "outcome", text_of(row->attempt, "outcome"), "failed", outcome > 0, "verdict",
                     json_object_get(row->attempt, "verdict"));
}

static json_t *reading_json(const struct night_reading *reading) {
    const struct contrast *c = &reading->contrast;
    static const char *const sides[] = {"lower", NULL, "higher"};
    return json_pack("{s:s, s:s, s:i, s:i, s:o, s:o, s:o, s:o, s:s?, s:f, s:f, s:f}", "reading",
                     reading->name, "unit", reading->unit, "failed", (int)c->failed, "started",
                     (int)c->started, "failed_lowest", number(c->failed_low), "failed_highest",
                     number(c->failed_high), "started_lowest", number(c->started_low),
                     "started_highest", number(c->started_high), "apart", sides[c->side + 1], "gap",
                     c->gap, "chance", c->chance, "chance_of_any", c->chance_of_any);
}

static json_t *repeats_json(const struct night_study *study) {
    json_t *array = json_array();
    for (size_t i = 0; i < study->repeat_count; i++) {
        const struct night_repeat *repeat = &study->repeats[i];
        json_array_append_new(array,
                              json_pack("{s:s?, s:s?, s:i, s:o, s:o}", "fault", repeat->fault,
                                        "subject", repeat->subject, "times", (int)repeat->times,
                                        "after_from_s", number(repeat->after_low_s), "after_to_s",
                                        number(repeat->after_high_s)));
    }
    return array;
}

static json_t *alike_json(const struct night_study *study) {
    json_t *array = json_array();
    for (size_t i = 0; i < study->alike_count; i++)
        json_array_append_new(array, json_pack("{s:s?, s:s?, s:s?}", "check", study->alike[i].check,
                                               "channel", study->alike[i].channel, "phase",
                                               study->alike[i].phase));
    return array;
}

static json_t *count_or_null(unsigned count) {
    return count ? json_integer(count) : json_null();
}

static json_t *repair_json(const struct night_study *study) {
    struct repair repair = repair_of(study);
    return json_pack("{s:f, s:f, s:f, s:o, s:o, s:o}", "share", repair.share, "share_low",
                     repair.low, "share_high", repair.high, "clean_starts",
                     count_or_null(repair.clean_5), "clean_starts_1_percent",
                     count_or_null(repair.clean_1), "clean_starts_at_share_low",
                     count_or_null(repair.clean_5_at_low));
}

static json_t *night_json(const struct night_study *study, double since_s) {
    json_t *attempts = json_array();
    json_t *readings = json_array();
    for (size_t i = 0; i < study->attempt_count; i++)
        json_array_append_new(attempts, attempt_json(study->attempts[i]));
    for (size_t i = 0; i < study->reading_count; i++)
        json_array_append_new(readings, reading_json(&study->readings[i]));
    json_t *losses =
        json_pack("{s:i, s:f, s:i}", "count", (int)study->losses, "scans", study->lost_scans,
                  "of_unknown_size", (int)study->losses_of_unknown_size);
    return json_pack(
        "{s:s, s:o, s:o, s:i, s:i, s:i, s:o, s:f, s:o, s:o, s:o, s:o}", "schema",
        "cranktrap.night/1", "since_s", number(since_s), "attempts", attempts, "started",
        (int)study->started, "failed", (int)study->failed, "other", (int)study->other, "losses",
        losses, "least_chance", least_chance(study->failed, study->started), "readings", readings,
        "alike", alike_json(study), "recurs", repeats_json(study), "repair", repair_json(study));
}

static void print_since(double since_s) {
    char text[40] = "";
    time_t seconds = (time_t)since_s;
    struct tm local;
    if (localtime_r(&seconds, &local))
        strftime(text, sizeof text, "%Y-%m-%d %H:%M:%S", &local);
    printf("Since the last `ready`, %s (--since 1970-01-01: all)\n\n", text);
}

int command_night(const struct command_line *given) {
    struct command_line line = *given;
    const char *since = command_option(&line, "since");
    double since_s = since ? moment_read(since, (double)time(NULL)) : (double)NAN;
    if (since && isnan(since_s))
        return command_usage(&line, "--since \"%s\": a time like 2026-01-15T04:12, 04:12 or -8h",
                             since);
    int wrong = command_words(&line, 0, line.argc);
    if (wrong)
        return wrong;
    bool since_ready = !since && line.argc == 1 && !isnan(since_s = night_begin(&line));
    struct night night = {0};
    struct night_study study = {0};
    int result = night_load_analysed(&line, line.argv + 1, (size_t)line.argc - 1, &night);
    if (result == 0)
        result = night_study(&night, since_s, &study);
    int status = result < 0 ? COMMAND_COULD_NOT : COMMAND_DONE;
    if (result == 0 && line.json)
        status = print_json(night_json(&study, since_s));
    else if (result == 0) {
        if (since_ready)
            print_since(since_s);
        print_night(&study);
    }
    night_study_done(&study);
    night_done(&night);
    return status;
}
