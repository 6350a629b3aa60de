// SPDX-License-Identifier: Apache-2.0
/*
 * hookup.c - `cranktrap hookup`: asks what each lead is on (hookup_talk.c), or with `--check FILE`
 * every error at once, or what is on which lead.
 */
#include "hookup.h"

#include "calibration_store.h"
#include "command.h"
#include "hookup_talk.h"
#include "intake.h"
#include "measuring.h"
#include "page.h"
#include "print.h"

#include <errno.h>
#include <jansson.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

static json_t *problems_json(const struct problems *problems) {
    json_t *list = json_array();
    for (size_t i = 0; i < problems->count; i++) {
        const struct problem *problem = &problems->problem[i];
        json_array_append_new(list, json_pack("{s:i, s:s?, s:s?, s:s}", "line", (int)problem->line,
                                              "where", problem->where, "read", problem->read,
                                              "text", problem->text));
    }
    return list;
}

static const char *lead_name(const struct hookup *hookup, size_t channel) {
    return channel == CHANNEL_NONE ? "not watched" : hookup->vehicle.channels[channel].name;
}

static void print_leads(const struct hookup *hookup) {
    const struct vehicle *vehicle = &hookup->vehicle;
    printf("%-20s %-16s %-16s %s\n", "channel", "role", "board", "input");
    for (size_t i = 0; i < vehicle->channel_count; i++) {
        const struct vehicle_channel *channel = &vehicle->channels[i];
        printf("%-20s %-16s %-16s %zu\n", channel->name, role_name(channel->role),
               hookup->board_count ? hookup->boards[channel->stream].name : "-", channel->input);
    }
    for (size_t i = 0; i < vehicle->sensor_count; i++) {
        const struct vehicle_sensor *sensor = &vehicle->sensors[i];
        printf("sensor %s (%s, %s shaft): ", sensor->name, sensor_kind_name(sensor->kind),
               shaft_name(sensor->shaft));
        if (sensor->kind == SENSOR_HALL)
            printf("feed %s, ", lead_name(hookup, sensor->feed));
        printf("return %s, signal %s\n", lead_name(hookup, sensor->ret),
               lead_name(hookup, sensor->signal));
    }
}

/* How long the disk may stand still; only where the file itself says how fast all boards are. */
static void print_stall(const struct hookup *hookup) {
    unsigned bits[BOARD_INPUTS_MAX];
    double bytes_per_s = 0;
    for (size_t i = 0; i < BOARD_INPUTS_MAX; i++)
        bits[i] = 16;
    for (size_t i = 0; i < hookup->board_count; i++) {
        const struct hookup_board *board = &hookup->boards[i];
        if (!(board->rate_hz > 0))
            return;
        bytes_per_s += intake_bytes_per_s(board->inputs, bits, board->rate_hz);
    }
    if (!(bytes_per_s > 0))
        return;
    char memory[32], lasts[32];
    double bytes = (double)hookup->storage.memory_bytes;
    if (!hookup->storage.memory_given && bytes < bytes_per_s * HOOKUP_STALL_S)
        bytes = bytes_per_s * HOOKUP_STALL_S;
    printf("\nMemory: %s hold what comes while the disk stands still for at most %s (at these "
           "rates, 16\n"
           "bits a sample, the inputs with a lead, nothing compressed; `status` knows the board);\n"
           "beyond it the oldest is lost, and counted.\n",
           print_bytes(bytes, memory, sizeof memory),
           print_duration(bytes / bytes_per_s, lasts, sizeof lasts));
}

static void print_advice(const struct hookup *hookup) {
    const struct vehicle *vehicle = &hookup->vehicle;
    if (vehicle_channel_by_role(vehicle, ROLE_BATTERY) == CHANNEL_NONE)
        puts("Advice: no channel watches the battery. Without it a feed that falls with the "
             "battery\ncannot be told from one that falls alone.");
    if (vehicle->sensor_count == 0)
        puts("Advice: no [sensor] says which feed, return and signal belong together; levels are\n"
             "recorded, but a sensor's circuit is not judged.");
}

/* What the state folder knows; which board is plugged in only the daemon sees. */
static void print_calibrations(const struct command_line *line) {
    struct calibration_store store = {0};
    int result = calibration_store_read(line->state, &store);
    if (result == -EBADMSG)
        printf("Advice: %s/calibration.json is damaged: no input would be calibrated. Move it "
               "away, and\ncalibrate anew.\n",
               line->state);
    for (size_t i = 0; result == 0 && i < store.count; i++) {
        char words[160];
        calibration_words(&store.calibrations[i], words, sizeof words);
        printf("Calibrated: input %zu of \"%s\": %s; used while that board is on.\n",
               store.calibrations[i].input, store.calibrations[i].board, words);
    }
    calibration_store_clear(&store);
}

static void print_loading(const struct hookup *hookup) {
    const struct page page = {.stream = stdout, .width = print_width(stdout)};
    struct measuring_note note;
    for (size_t i = 0; i < hookup->vehicle.sensor_count; i++) {
        char text[sizeof note.text + 80];
        if (!measuring_loading(&hookup->vehicle, i, &note))
            continue;
        snprintf(text, sizeof text, "%s: %s", lead_name(hookup, note.channel), note.text);
        page_paragraph(&page, "Advice: ", text);
    }
}

/* What the boards cannot see by design: too few scans for a signal, pauses between bursts. */
static void print_board_limits(const struct hookup *hookup) {
    const struct page page = {.stream = stdout, .width = print_width(stdout)};
    struct measuring_note note;
    char text[sizeof note.text + 80];
    for (size_t i = 0; i < hookup->vehicle.channel_count && hookup->board_count > 0; i++) {
        const struct hookup_board *board = &hookup->boards[hookup->vehicle.channels[i].stream];
        if (!measuring_speed(hookup, i, board->rate_hz, board->dead_time_s, &note))
            continue;
        snprintf(text, sizeof text, "%s: %s", lead_name(hookup, i), note.text);
        page_paragraph(&page, "Advice: ", text);
    }
    for (size_t i = 0; i < hookup->board_count; i++) {
        if (!(hookup->boards[i].dead_time_s > 0))
            continue;
        snprintf(
            text, sizeof text,
            "board %s takes bursts and sees nothing for about %.3g ms between them, by design: "
            "a fault shorter than that can fall there.",
            hookup->boards[i].name, hookup->boards[i].dead_time_s * 1e3);
        page_paragraph(&page, "Advice: ", text);
    }
}

int command_hookup(const struct command_line *given) {
    struct command_line line = *given;
    const char *path = command_option(&line, "check");
    int wrong = command_words(&line, 0, 0);
    if (wrong)
        return wrong;
    if (!path && line.json)
        return command_usage(&line, "it asks a person; --json is for --check FILE");
    if (!path)
        return hookup_talk(&line);
    if (!*path)
        return command_usage(&line, "--check needs a FILE");
    struct problems problems = {0};
    struct hookup *hookup = NULL;
    int result = hookup_load(path, HOOKUP_FOR_BOARDS, &hookup, &problems);
    if (result < 0 && problems.count == 0)
        command_say(&line, "%s: %s", path, strerror(-result));
    if (line.json) {
        (void)print_json(json_pack("{s:s, s:s, s:b, s:o}", "schema", "cranktrap.hookup/1", "file",
                                   path, "sound", result == 0, "problems",
                                   problems_json(&problems)));
    } else if (result < 0) {
        problems_print(&problems, path, stderr);
        if (problems.count)
            command_say(&line, "%zu problem%s; nothing would start with this file", problems.count,
                        problems.count == 1 ? "" : "s");
    } else {
        printf("%s is sound.\n\n", path);
        print_leads(hookup);
        print_stall(hookup);
        print_calibrations(&line);
        print_advice(hookup);
        print_loading(hookup);
        print_board_limits(hookup);
    }
    hookup_free(hookup);
    problems_clear(&problems);
    return result < 0 ? COMMAND_COULD_NOT : COMMAND_DONE;
}
