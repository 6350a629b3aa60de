// SPDX-License-Identifier: Apache-2.0
/*
 * compare.c - `cranktrap compare`: which two attempts, and what is said of them.
 */
#include "command.h"
#include "compare_wheels.h"
#include "comparison.h"
#include "json_value.h"
#include "night.h"
#include "night_study.h"
#include "page.h"
#include "print.h"
#include "remark.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* How the second came to be the second. */
enum choice { CHOICE_GIVEN, CHOICE_GOOD, CHOICE_LIKE };
static const char *const choice_names[] = {"given", "marked-good", "like-speed"};

/* One of the two, and the set it is out of. */
struct side {
    struct night own; /* of a file that was named; else empty */
    const struct night *night;
    const struct night_row *row;
};

struct pair {
    struct night state; /* the state folder's, where it is needed */
    struct side side[2];
    enum choice choice;
};

/* ---- which two ---- */

static bool is_number(const char *word) {
    return *word && word[strspn(word, "0123456789")] == '\0';
}

static int need_state(const struct command_line *line, struct pair *pair) {
    return pair->state.entries ? 0 : night_load_analysed(line, NULL, 0, &pair->state);
}

/* By number out of the state folder, or a file by itself. 0, or an error that was said. */
static int take_word(const struct command_line *line, char *word, struct pair *pair,
                     struct side *side) {
    if (!is_number(word)) {
        int result = night_load_analysed(line, &word, 1, &side->own);
        side->night = &side->own;
        side->row = result == 0 ? night_chosen(&side->own) : NULL;
        return result < 0 || !side->row || !side->row->report ? -1 : 0;
    }
    int result = need_state(line, pair);
    unsigned long number = strtoul(word, NULL, 10);
    side->night = &pair->state;
    for (size_t i = 0; result == 0 && i < pair->state.row_count; i++) {
        const struct night_row *row = &pair->state.rows[i];
        if (row->snapshot == number && row->report && (!side->row || row->failed))
            side->row = row;
    }
    if (result == 0 && !side->row)
        command_say(line, "there is no snapshot %s in %s; `cranktrap list` shows which are", word,
                    line->state);
    return side->row ? 0 : -1;
}

static bool is_marked_good(const struct command_line *line, const struct night_row *row) {
    struct remark remark = {0};
    char *folder = NULL;
    if (asprintf(&folder, "%s/snapshots", line->state) < 0)
        return false;
    bool good = remark_read(folder, row->snapshot, &remark) == 0 && remark.good;
    free(folder);
    return good;
}

/* The lower the better: another night, another speed, then the distance in time. */
static double distance(const struct night_row *row, const struct night_row *first, double begin) {
    bool other_night = (night_wall(row) >= begin) != (night_wall(first) >= begin);
    double apart = fabs(row->elapsed_s - first->elapsed_s);
    return (other_night ? 1e12 : 0) + (comparison_like_speed(row, first) ? 0 : 1e9) +
           (isnan(apart) ? 1e8 : fmin(apart, 1e8));
}

/* One that is marked good; else one that started, nothing having been found. */
static int take_good(const struct command_line *line, struct pair *pair) {
    const struct night_row *first = pair->side[0].row;
    double begin = night_begin(line);
    double best = (double)INFINITY;
    if (need_state(line, pair) < 0)
        return -1;
    pair->choice = CHOICE_LIKE;
    for (size_t i = 0; i < pair->state.row_count; i++) {
        const struct night_row *row = &pair->state.rows[i];
        bool same = pair->side[0].night == &pair->state && row->snapshot == first->snapshot;
        if (same || !row->attempt)
            continue;
        bool good = is_marked_good(line, row);
        if (!good && (pair->choice == CHOICE_GOOD || row->failed || night_outcome(row) >= 0))
            continue;
        double away = distance(row, first, begin);
        if ((good && pair->choice != CHOICE_GOOD) || away < best) {
            best = away;
            pair->side[1] = (struct side){.night = &pair->state, .row = row};
            pair->choice = good ? CHOICE_GOOD : CHOICE_LIKE;
        }
    }
    if (!pair->side[1].row)
        command_say(line,
                    "there is no good start to compare with in %s: mark one by `cranktrap "
                    "list --good NUMBER`, or name a second NUMBER or FILE",
                    line->state);
    return pair->side[1].row ? 0 : -1;
}

static int choose_pair(const struct command_line *line, struct pair *pair) {
    int result = 0;
    if (line->argc > 1) {
        result = take_word(line, line->argv[1], pair, &pair->side[0]);
    } else {
        result = need_state(line, pair);
        pair->side[0] = (struct side){.night = &pair->state,
                                      .row = result == 0 ? night_chosen(&pair->state) : NULL};
        if (result == 0 && !pair->side[0].row)
            command_say(line, "nothing was caught yet in %s: no attempt, no trigger", line->state);
        if (!pair->side[0].row)
            return -1;
    }
    if (result < 0)
        return result;
    return line->argc > 2 ? take_word(line, line->argv[2], pair, &pair->side[1])
                          : take_good(line, pair);
}

static void pair_done(struct pair *pair) {
    night_done(&pair->side[0].own);
    night_done(&pair->side[1].own);
    night_done(&pair->state);
}

/* ---- for a person ---- */

static const char *name_of(const struct side *side, char *name, size_t size) {
    if (side->night == &side->own)
        snprintf(name, size, "%s", side->row->path);
    else
        snprintf(name, size, "snapshot %u", side->row->snapshot);
    return name;
}

static void print_side(const struct page *page, const struct side *side, const char *first) {
    char name[512], speed[48] = "";
    const json_t *verdict =
        json_object_get(side->row->attempt ? side->row->attempt : side->row->report, "verdict");
    const char *subject =
        text_of(verdict, "sensor") ? text_of(verdict, "sensor") : text_of(verdict, "channel");
    double rpm = comparison_rpm(side->row);
    if (isfinite(rpm))
        snprintf(speed, sizeof speed, ", %.0f rpm", rpm);
    const char *outcome = text_of(side->row->attempt, "outcome");
    page_say(page, first, "%s: %s%s; %s%s%s, %s", name_of(side, name, sizeof name),
             outcome ? outcome : "no attempt", speed, text_of(verdict, "fault"),
             subject ? " of " : "", subject ? subject : "", text_of(verdict, "certainty"));
}

static void say_how(const struct page *page, const struct pair *pair) {
    const struct night_row *const rows[] = {pair->side[0].row, pair->side[1].row};
    if (pair->choice == CHOICE_GOOD)
        page_say(page, "", "The second is marked good.");
    if (pair->choice == CHOICE_LIKE)
        page_say(
            page, "",
            "None is marked good (`cranktrap list --good NUMBER`): the second started, nothing "
            "was found in it, and it is the nearest%s.",
            comparison_like_speed(rows[0], rows[1]) ? " of like speed" : "");
    if (!comparison_like_speed(rows[0], rows[1]))
        page_say(page, "",
                 "They turned at speeds of their own (%.0f and %.0f rpm): the battery's level, the "
                 "current and coil signals then differ by that alone.",
                 comparison_rpm(rows[0]), comparison_rpm(rows[1]));
}

/* With as many digits as mean something in that unit, and no zero below zero. */
static const char *amount(double value, const char *unit, char out[24]) {
    int digits = unit && strcmp(unit, "V") == 0 ? 2 : unit && strcmp(unit, "rpm") == 0 ? 0 : 1;
    double shown = fabs(value) < 0.5 * pow(10, -digits) ? 0 : value;
    snprintf(out, 24, "%.*f", digits, shown);
    return out;
}

static void measured_text(const json_t *check, char *out, size_t size) {
    char value[24];
    const json_t *measured = json_object_get(check, "measured");
    const char *result = text_of(check, "result");
    if (!check)
        snprintf(out, size, "-");
    else if (json_is_number(measured))
        snprintf(out, size, "%s %s %s",
                 amount(json_number_value(measured), text_of(check, "unit"), value),
                 text_of(check, "unit"), result);
    else
        snprintf(out, size, "%s", result);
}

static void print_checks(const struct page *page, const struct comparison *comparison) {
    if (comparison->check_count == 0)
        return;
    page_heading(page, "Checks, side by side");
    printf("  %-16s %-19s %-8s %-16s %s\n", "lead", "check", "phase", "first", "second");
    for (size_t i = 0; i < comparison->check_count; i++) {
        const struct comparison_check *check = &comparison->checks[i];
        const json_t *either = check->of[0] ? check->of[0] : check->of[1];
        const char *results[] = {text_of(check->of[0], "result"), text_of(check->of[1], "result")};
        char measured[2][48];
        for (size_t side = 0; side < 2; side++)
            measured_text(check->of[side], measured[side], sizeof measured[side]);
        bool differs = results[0] && results[1] && strcmp(results[0], results[1]) != 0;
        const char *channel = text_of(either, "channel");
        printf("%s %-16.16s %-19.19s %-8.8s %-16s %s\n", differs ? "*" : " ",
               channel ? channel : "-", text_of(either, "check"), text_of(either, "phase"),
               measured[0], measured[1]);
    }
}

static void value_text(const struct comparison_reading *reading, size_t side, char *out,
                       size_t size) {
    const char *unit = reading->unit;
    char value[24], low[24], high[24];
    amount(reading->value[side], unit, value);
    if (reading->attempts[side] > 1)
        snprintf(out, size, "%s %s (%s to %s in %zu like it)", value, unit,
                 amount(reading->low[side], unit, low), amount(reading->high[side], unit, high),
                 reading->attempts[side]);
    else
        snprintf(out, size, "%s %s", value, unit);
}

static void print_readings(const struct page *page, const struct comparison *comparison) {
    size_t changed = 0, compared = 0;
    page_heading(page, "What changed beyond both spreads");
    for (size_t i = 0; i < comparison->reading_count; i++) {
        const struct comparison_reading *reading = &comparison->readings[i];
        char values[2][112];
        compared += !isnan(reading->value[0]) && !isnan(reading->value[1]);
        if (!reading->changed)
            continue;
        changed++;
        for (size_t side = 0; side < 2; side++)
            value_text(reading, side, values[side], sizeof values[side]);
        page_say(page, "- ", "%s: %s in the first, %s in the second", reading->name, values[0],
                 values[1]);
    }
    page_say(page, "",
             "%zu of %zu readings changed. Spread: over attempts of the same set that "
             "ended alike at a like speed, and at least %.0f %%, %.2f V or %.0f A.",
             changed, compared, 100 * COMPARISON_SHARE, COMPARISON_LEAST, 100 * COMPARISON_LEAST);
}

/* A check that failed in one and passed in the other. */
static void print_turned(const struct page *page, const struct comparison *comparison) {
    bool said = false;
    page_heading(page, "Judged otherwise");
    for (size_t i = 0; i < comparison->check_count; i++) {
        const struct comparison_check *check = &comparison->checks[i];
        const char *first = text_of(check->of[0], "result"),
                   *second = text_of(check->of[1], "result");
        if (!first || !second || strcmp(first, second) == 0)
            continue;
        said = true;
        const char *channel = text_of(check->of[0], "channel");
        page_say(page, "- ", "%s%s%s, %s: %s in the first, %s in the second",
                 text_of(check->of[0], "check"), channel ? " of " : "", channel ? channel : "",
                 text_of(check->of[0], "phase"), first, second);
    }
    if (!said)
        page_say(page, "", "No check was judged otherwise.");
}

static void print_pair(const struct pair *pair, const struct comparison *comparison,
                       const struct comparison_wheels *wheels) {
    const struct page page = {.stream = stdout, .width = print_width(stdout)};
    print_side(&page, &pair->side[0], "First:  ");
    print_side(&page, &pair->side[1], "Second: ");
    say_how(&page, pair);
    print_turned(&page, comparison);
    print_readings(&page, comparison);
    compare_wheels_print(&page, wheels);
    print_checks(&page, comparison);
    page_heading(&page, "Before and after a repair");
    page_say(&page, "",
             "What changed is what the repair reached, and what else had changed by itself. One "
             "clean start proves nothing: `cranktrap night` says how many do.");
}

/* ---- for a program ---- */

static json_t *number_json(double value) {
    return isfinite(value) ? json_real(value) : json_null();
}

static json_t *side_json(const struct side *side) {
    const json_t *holder = side->row->attempt ? side->row->attempt : side->row->report;
    bool by_number = side->night != &side->own;
    return json_pack("{s:o, s:s, s:o, s:O?, s:o, s:O?}", "number",
                     by_number ? json_integer(side->row->snapshot) : json_null(), "file",
                     side->row->path, "wall_s", number_json(night_wall(side->row)), "outcome",
                     json_object_get(side->row->attempt, "outcome"), "rpm",
                     number_json(comparison_rpm(side->row)), "verdict",
                     json_object_get(holder, "verdict"));
}

static json_t *judged_json(const json_t *check) {
    return check ? json_pack("{s:O?, s:O?, s:O?}", "measured", json_object_get(check, "measured"),
                             "result", json_object_get(check, "result"), "why",
                             json_object_get(check, "why"))
                 : json_null();
}

static json_t *checks_json(const struct comparison *comparison) {
    static const char *const shared[] = {"check",     "channel",    "sensor", "phase",
                                         "limit_low", "limit_high", "unit",   "source"};
    json_t *array = json_array();
    for (size_t i = 0; i < comparison->check_count; i++) {
        const struct comparison_check *check = &comparison->checks[i];
        const json_t *either = check->of[0] ? check->of[0] : check->of[1];
        json_t *json = json_object();
        for (size_t key = 0; key < sizeof shared / sizeof shared[0]; key++)
            json_object_set(json, shared[key], json_object_get(either, shared[key]));
        json_object_set_new(json, "first", judged_json(check->of[0]));
        json_object_set_new(json, "second", judged_json(check->of[1]));
        json_array_append_new(array, json);
    }
    return array;
}

static json_t *reading_json(const struct comparison_reading *reading, size_t side) {
    return json_pack("{s:o, s:o, s:o, s:i}", "value", number_json(reading->value[side]),
                     "spread_low", number_json(reading->low[side]), "spread_high",
                     number_json(reading->high[side]), "attempts", (int)reading->attempts[side]);
}

static json_t *pair_json(const struct pair *pair, const struct comparison *comparison,
                         const struct comparison_wheels *wheels) {
    json_t *readings = json_array();
    for (size_t i = 0; i < comparison->reading_count; i++) {
        const struct comparison_reading *reading = &comparison->readings[i];
        json_array_append_new(
            readings, json_pack("{s:s, s:s, s:o, s:o, s:b}", "reading", reading->name, "unit",
                                reading->unit, "first", reading_json(reading, 0), "second",
                                reading_json(reading, 1), "changed", (int)reading->changed));
    }
    bool like = comparison_like_speed(pair->side[0].row, pair->side[1].row);
    json_t *json =
        json_pack("{s:s, s:o, s:o, s:s, s:b, s:o, s:o}", "schema", "cranktrap.compare/1", "first",
                  side_json(&pair->side[0]), "second", side_json(&pair->side[1]), "chosen",
                  choice_names[pair->choice], "like_speed", (int)like, "checks",
                  checks_json(comparison), "readings", readings);
    if (json)
        compare_wheels_json(wheels, json);
    return json;
}

/* Both comparisons of the pair. 0 or -ENOMEM. */
static int make_both(const struct pair *pair, struct comparison *comparison,
                     struct comparison_wheels *wheels) {
    const struct side *side = pair->side;
    int result =
        comparison_make(side[0].night, side[0].row, side[1].night, side[1].row, comparison);
    return result < 0 ? result
                      : comparison_wheels_make(side[0].night, side[0].row, side[1].night,
                                               side[1].row, wheels);
}

int command_compare(const struct command_line *given) {
    struct command_line line = *given;
    int wrong = command_words(&line, 0, 2);
    if (wrong)
        return wrong;
    struct pair pair = {0};
    struct comparison comparison = {0};
    struct comparison_wheels wheels = {0};
    int status = COMMAND_COULD_NOT;
    if (choose_pair(&line, &pair) == 0 && make_both(&pair, &comparison, &wheels) == 0) {
        status = COMMAND_DONE;
        if (line.json)
            status = print_json(pair_json(&pair, &comparison, &wheels));
        else
            print_pair(&pair, &comparison, &wheels);
    }
    comparison_wheels_done(&wheels);
    comparison_done(&comparison);
    pair_done(&pair);
    return status;
}
