// SPDX-License-Identifier: Apache-2.0
/*
 * scene_helper.c - drawing a start, and looking at what the analysis says of it.
 */
#include "scene_helper.h"

#include "cmocka_helper.h"

#include <math.h>
#include <string.h>

#define LOW_VOLTS  0.12 /* a Hall output pulling down; HAL115 datasheet p.4: typically 125 mV */
#define HIGH_VOLTS 4.98
#define CRANK_RPM  190.0
#define IDLE_RPM   850.0

static void fill_defaults(struct scene *scene) {
    scene->watched = scene->watched == 0 ? WATCH_USUAL : scene->watched;
    scene->rate_hz = scene->rate_hz > 0.0 ? scene->rate_hz : 10000.0;
    scene->system_volts = scene->system_volts > 0.0 ? scene->system_volts : 12.0;
    scene->seconds = scene->seconds > 0.0 ? scene->seconds : 14.0;
    scene->key_on_s = scene->key_on_s > 0.0 ? scene->key_on_s : 1.0;
    scene->engaged_s = scene->engaged_s != 0.0 ? scene->engaged_s : 3.0;
    scene->released_s = scene->released_s > 0.0 ? scene->released_s : 6.0;
    scene->key_off_s = scene->key_off_s > 0.0 ? scene->key_off_s : scene->seconds;
}

static size_t lead(struct sheet *sheet, const struct scene *scene, unsigned bit, const char *name,
                   enum role role, double full_scale) {
    if ((scene->watched & bit) == 0)
        return CHANNEL_NONE;
    size_t channel = sheet_channel(sheet, name, role, 0.0, full_scale);
    sheet->noise[channel] = full_scale / 4095.0; /* one count */
    return channel;
}

static void draw_battery(struct sheet *sheet, const struct scene *scene, size_t channel) {
    double v = scene->system_volts / 12.0;
    const struct start_profile starter = {12.5 * v, 0.004, 8.7 * v, 0.01, 0.06,
                                          10.3 * v, 0.0,   0.0,     0.05};
    sheet_hold(sheet, channel, 0.0, scene->seconds, 12.5 * v);
    if (scene->engaged_s < 0.0)
        return;
    double turns_s = sheet_start(sheet, channel, scene->engaged_s, &starter);
    sheet_hold(sheet, channel, turns_s, scene->released_s, 10.3 * v);
    sheet_add_sine(sheet, channel, turns_s, scene->released_s, 0.25 * v, 6.33);
    double after = scene->catches_s > 0.0 ? 14.1 * v : 12.2 * v;
    sheet_ramp(sheet, channel, scene->released_s, scene->released_s + 0.05, 10.3 * v, 12.2 * v);
    sheet_ramp(sheet, channel, scene->released_s + 0.05, scene->released_s + 1.0, 12.2 * v, after);
    sheet_hold(sheet, channel, scene->released_s + 1.0, scene->seconds, after);
    if (scene->stops_s > 0.0)
        sheet_hold(sheet, channel, scene->stops_s, scene->seconds, 12.6 * v);
}

static void draw_signal(struct sheet *sheet, const struct scene *scene, size_t channel) {
    sheet_hold(sheet, channel, scene->key_on_s, scene->key_off_s, HIGH_VOLTS);
    if (scene->engaged_s < 0.0)
        return;
    double turns_s = scene->engaged_s + 0.1;
    double catches_s = scene->catches_s > 0.0 ? scene->catches_s : scene->released_s;
    sheet_wheel(sheet, channel, turns_s, catches_s, 60, 2, CRANK_RPM, LOW_VOLTS, HIGH_VOLTS);
    if (scene->catches_s <= 0.0)
        return;
    double stops_s = scene->stops_s > 0.0 ? scene->stops_s : scene->key_off_s;
    sheet_wheel(sheet, channel, catches_s, stops_s, 60, 2, IDLE_RPM, LOW_VOLTS, HIGH_VOLTS);
}

struct sheet *scene_draw(const struct scene *given, struct scene_leads *leads) {
    struct scene scene = *given;
    fill_defaults(&scene);
    struct sheet *sheet = sheet_new(scene.rate_hz, 0.0, scene.seconds, scene.system_volts);
    leads->battery =
        lead(sheet, &scene, WATCH_BATTERY, "battery", ROLE_BATTERY, scene.system_volts * 1.6);
    leads->feed = lead(sheet, &scene, WATCH_FEED, "crank-feed", ROLE_FEED, 6.0);
    leads->ret = lead(sheet, &scene, WATCH_RETURN, "crank-return", ROLE_RETURN, 6.0);
    leads->signal = lead(sheet, &scene, WATCH_SIGNAL, "crank-signal", ROLE_SIGNAL, 6.0);
    leads->ignition =
        lead(sheet, &scene, WATCH_IGNITION, "run", ROLE_IGNITION, scene.system_volts * 1.6);
    leads->sensor =
        sheet_sensor(sheet, "crank", SENSOR_HALL, leads->feed, leads->ret, leads->signal);
    sheet->sensors[leads->sensor].wheel = (struct wheel){60, 2, 0};
    if (leads->battery != CHANNEL_NONE)
        draw_battery(sheet, &scene, leads->battery);
    if (leads->feed != CHANNEL_NONE)
        sheet_hold(sheet, leads->feed, scene.key_on_s, scene.key_off_s, 5.01);
    if (leads->ret != CHANNEL_NONE)
        sheet_hold(sheet, leads->ret, scene.key_on_s, scene.key_off_s, 0.02);
    if (leads->signal != CHANNEL_NONE)
        draw_signal(sheet, &scene, leads->signal);
    if (leads->ignition != CHANNEL_NONE)
        sheet_hold(sheet, leads->ignition, scene.key_on_s, scene.key_off_s, scene.system_volts);
    return sheet;
}

void scene_collapse(struct sheet *sheet, const struct scene_leads *leads, double from_s,
                    double to_s, double volts) {
    sheet_hold(sheet, leads->feed, from_s, to_s, volts);
    if (leads->signal != CHANNEL_NONE)
        sheet_hold(sheet, leads->signal, from_s, to_s, HIGH_VOLTS);
}

struct analysis *scene_analyse(struct sheet *sheet) {
    struct limits limits = limits_default(sheet->vehicle.system_volts);
    struct record record = sheet_record(sheet);
    struct analysis *analysis = NULL;
    assert_int_equal(analysis_run(&record, &limits, NULL, NULL, &analysis), 0);
    return analysis;
}

static void print_texts(const char *title, const struct analysis_texts *texts) {
    for (size_t i = 0; i < texts->count; i++)
        print_message("    %s: %s\n", title, texts->text[i]);
}

static void print_verdict(const struct analysis_verdict *verdict) {
    print_message("  %s (%s) %.4f [%.4f %.4f]: %s\n", fault_name(verdict->fault),
                  certainty_name(verdict->certainty), verdict->at_s, verdict->at_from_s,
                  verdict->at_to_s, verdict->observed == NULL ? "-" : verdict->observed);
    print_texts("because", &verdict->because);
    print_texts("follower", &verdict->followers);
    print_texts("alternative", &verdict->alternatives);
    print_texts("next", &verdict->next);
    print_texts("not tested", &verdict->not_tested);
}

void scene_print(const struct sheet *sheet, const struct analysis *analysis) {
    for (size_t i = 0; i < analysis->phase_count; i++)
        print_message("  %s %.4f to %.4f\n", phase_name(analysis->phases[i].phase),
                      analysis->phases[i].from_s, analysis->phases[i].to_s);
    for (size_t i = 0; i < analysis->check_count; i++) {
        const struct analysis_check *check = &analysis->checks[i];
        print_message("  check %u %s %s %s %.4f [%.3f %.3f] %s %s\n", check->attempt,
                      sheet->channels[check->channel].name, check->name, phase_name(check->phase),
                      check->measured, check->limit_low, check->limit_high,
                      check_result_name(check->result), check->why == NULL ? "" : check->why);
    }
    for (size_t i = 0; i < analysis->attempt_count; i++) {
        const struct analysis_attempt *attempt = &analysis->attempts[i];
        print_message("  attempt %u %.4f to %.4f %s%s %.1f rpm (%.1f to %.1f)\n", attempt->number,
                      attempt->from_s, attempt->to_s, outcome_name(attempt->outcome),
                      attempt->cut_short ? ", cut short" : "", attempt->rpm, attempt->rpm_low,
                      attempt->rpm_high);
        print_verdict(&attempt->verdict);
    }
    print_message("  verdict of attempt %u\n", analysis->verdict_attempt);
    print_verdict(&analysis->verdict);
}

const struct analysis_check *scene_check(const struct analysis *analysis, const char *name,
                                         unsigned attempt, enum phase phase) {
    for (size_t i = 0; i < analysis->check_count; i++) {
        const struct analysis_check *check = &analysis->checks[i];
        if (strcmp(check->name, name) == 0 && check->attempt == attempt && check->phase == phase)
            return check;
    }
    fail_msg("no check \"%s\" of attempt %u, %s", name, attempt, phase_name(phase));
    return NULL;
}

bool scene_says(const struct analysis_texts *texts, const char *words) {
    for (size_t i = 0; i < texts->count; i++) {
        if (strstr(texts->text[i], words) != NULL)
            return true;
    }
    return false;
}

void scene_expect(const struct sheet *sheet, const struct analysis *analysis, bool holds,
                  const char *what) {
    if (holds)
        return;
    scene_print(sheet, analysis);
    fail_msg("%s", what);
}

void scene_done(struct sheet *sheet, struct analysis *analysis) {
    analysis_free(analysis);
    sheet_free(sheet);
}

size_t scene_findings(const struct analysis *analysis, enum fault fault) {
    size_t count = 0;
    for (size_t i = 0; i < analysis->finding_count; i++)
        count += analysis->findings[i].fault == fault;
    return count;
}
