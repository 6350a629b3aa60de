// SPDX-License-Identifier: Apache-2.0
/*
 * hookup_test.c - sound hookup files, and what becomes of them.
 */
#include "hookup.h"

#include "cmocka_helper.h"
#include "phases.h"
#include "text_helper.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static struct hookup *parse(const char *text, enum hookup_use use) {
    struct problems problems = {0};
    struct hookup *hookup = NULL;
    int result = hookup_parse(text, strlen(text), use, &hookup, &problems);
    if (result)
        problems_print(&problems, "text", stderr);
    assert_int_equal(result, 0);
    assert_int_equal(problems.count, 0);
    problems_clear(&problems);
    return hookup;
}

static struct hookup *parse_changed(const char *old, const char *new) {
    char *text = text_replaced(text_sound, old, new);
    struct hookup *hookup = parse(text, HOOKUP_FOR_BOARDS);
    free(text);
    return hookup;
}

static void reads_the_whole_example(void **state) {
    (void)state;
    struct hookup *hookup = parse(text_sound, HOOKUP_FOR_BOARDS);
    const struct vehicle *vehicle = &hookup->vehicle;
    assert_string_equal(vehicle->name, "parcel van, bay 2");
    assert_string_equal(vehicle->complaint, "cranks, sometimes will not start at dawn");
    assert_int_equal(vehicle->cylinders, 4);
    assert_alike(vehicle->system_volts, 12);
    assert_int_equal(vehicle->ground, GROUND_BATTERY_NEGATIVE);
    assert_true(isnan(vehicle->temperature_c));
    assert_null(hookup->job);

    assert_int_equal(hookup->board_count, 1);
    const struct hookup_board *board = &hookup->boards[0];
    assert_string_equal(board->name, "logger");
    assert_int_equal(board->line, 8);
    assert_string_equal(board->driver->name, "packet-serial");
    assert_string_equal(board->device, "/dev/serial/by-id/usb-logger-1");
    assert_alike(board->rate_hz, 5000);
    assert_int_equal(board->inputs, 4);
    assert_int_equal(board->settings.count, 1);
    assert_string_equal(board->settings.setting[0].name, "rate");
    assert_string_equal(board->settings.setting[0].value, "5000");

    assert_int_equal(vehicle->channel_count, 4);
    const struct vehicle_channel *feed = &vehicle->channels[1];
    assert_string_equal(feed->name, "crank-feed");
    assert_int_equal(feed->role, ROLE_FEED);
    assert_string_equal(feed->unit, "V");
    assert_alike(feed->nominal, 5);
    assert_alike(feed->tolerance, 0.25); /* 5 % of 5 V */
    assert_int_equal(feed->measured_at, PLACE_SENSOR);
    assert_int_equal(feed->stream, 0);
    assert_int_equal(feed->input, 1);
    assert_true(feed->rail_low > feed->rail_high);
    assert_alike(vehicle->channels[3].delay_s, 20e-6);
    assert_string_equal(hookup->text, text_sound);
    hookup_free(hookup);
}

static void reads_the_sensor(void **state) {
    (void)state;
    struct hookup *hookup = parse(text_sound, HOOKUP_FOR_BOARDS);
    assert_int_equal(hookup->vehicle.sensor_count, 1);
    const struct vehicle_sensor *sensor = &hookup->vehicle.sensors[0];
    assert_string_equal(sensor->name, "crank");
    assert_int_equal(sensor->kind, SENSOR_HALL);
    assert_int_equal(sensor->feed, 1);
    assert_int_equal(sensor->ret, 2);
    assert_int_equal(sensor->signal, 3);
    assert_alike(sensor->pull_up, 5);
    assert_int_equal(sensor->shaft, SHAFT_CRANK);
    assert_int_equal(sensor->wheel.places, 60);
    assert_int_equal(sensor->wheel.missing, 2);
    hookup_free(hookup);

    hookup = parse_changed("pull-up = 5", "pull-up = feed\npull-up-ohms = 10 k");
    sensor = &hookup->vehicle.sensors[0];
    assert_true(sensor->pull_up_is_feed);
    assert_false(sensor->pull_up_is_battery);
    assert_true(isnan(sensor->pull_up));
    assert_alike(sensor->pull_up_ohms, 10000);
    hookup_free(hookup);

    hookup = parse_changed("kind = hall\nfeed = crank-feed\nreturn = crank-return\n"
                           "signal = crank-signal\npull-up = 5",
                           "kind = inductive\nreturn = crank-return\nsignal = crank-signal");
    sensor = &hookup->vehicle.sensors[0];
    assert_int_equal(sensor->kind, SENSOR_INDUCTIVE);
    assert_int_equal(sensor->feed, CHANNEL_NONE);
    assert_int_equal(sensor->ret, 2);
    hookup_free(hookup);
}

static void reads_triggers(void **state) {
    (void)state;
    struct hookup *hookup =
        parse_changed("when = cranking, running\n", "when = cranking, running\nafter = 1 min\n"
                                                    "[trigger let-go]\nend = cranking\n"
                                                    "[trigger high]\nchannel = battery\n"
                                                    "above = 15\n"
                                                    "[storage]\nbefore = 30 s\n");
    assert_int_equal(hookup->trigger_count, 3);
    const struct hookup_trigger *weak = &hookup->triggers[0];
    assert_string_equal(weak->name, "weak-feed");
    assert_int_equal(weak->kind, TRIGGER_BELOW);
    assert_int_equal(weak->channel, 1);
    assert_alike(weak->level, 4.6);
    assert_alike(weak->hysteresis, 0.1);
    assert_alike(weak->for_s, 0.003);
    assert_int_equal(weak->when, 1U << PHASE_CRANKING | 1U << PHASE_RUNNING);
    assert_alike(weak->before_s, 30); /* [storage] stands behind it, and holds all the same */
    assert_alike(weak->after_s, 60);
    assert_int_equal(hookup->triggers[1].kind, TRIGGER_CRANKING_ENDS);
    assert_int_equal(hookup->triggers[1].channel, CHANNEL_NONE);
    assert_int_equal(hookup->triggers[2].kind, TRIGGER_ABOVE);
    assert_int_equal(hookup->triggers[2].when, 0);
    hookup_free(hookup);
}

static void reads_conditions(void **state) {
    (void)state;
    struct hookup *hookup =
        parse_changed("when = cranking, running\n",
                      "[trigger band]\nchannel = crank-feed\noutside = 4.75 V .. 5250 mV\n"
                      "hysteresis = 50 mV\nbudget = 0\n"
                      "[trigger jump]\nchannel = crank-feed\nstep = 500 mV within 10 ms\n"
                      "[trigger dead]\nchannel = crank-signal\nsilent = 300 ms\n"
                      "hysteresis = 1 V\nwhen = cranking\nbudget = 2 min\n"
                      "[storage]\nbudget = 90 s\n");
    assert_int_equal(hookup->trigger_count, 4);
    assert_alike(hookup->storage.budget_s, 90);
    const struct hookup_trigger *band = &hookup->triggers[1];
    assert_int_equal(band->kind, TRIGGER_OUTSIDE);
    assert_alike(band->level, 4.75);
    assert_alike(band->level_high, 5.25);
    assert_alike(band->hysteresis, 0.05);
    assert_alike(band->budget_s, 0);
    const struct hookup_trigger *jump = &hookup->triggers[2];
    assert_int_equal(jump->kind, TRIGGER_STEP);
    assert_alike(jump->level, 0.5);
    assert_alike(jump->within_s, 0.01);
    assert_alike(jump->budget_s, 90);
    const struct hookup_trigger *dead = &hookup->triggers[3];
    assert_int_equal(dead->kind, TRIGGER_SILENT);
    assert_int_equal(dead->channel, 3);
    assert_alike(dead->for_s, 0.3);
    assert_alike(dead->hysteresis, 1);
    assert_int_equal(dead->when, 1U << PHASE_CRANKING);
    assert_alike(dead->budget_s, 120);
    hookup_free(hookup);
    hookup = parse(text_sound, HOOKUP_FOR_BOARDS);
    assert_alike(hookup->triggers[0].budget_s, 300); /* docs/hookup.md */
    hookup_free(hookup);
}

static void storage_and_limits(void **state) {
    (void)state;
    struct hookup *hookup = parse(text_sound, HOOKUP_FOR_BOARDS);
    assert_alike(hookup->storage.loss_window_s, 5);
    assert_alike(hookup->storage.before_s, 20);
    assert_alike(hookup->storage.after_s, 20);
    assert_int_equal(hookup->storage.memory_bytes, 8 << 20);
    assert_alike(hookup->limits.cranking_floor, 9.6);
    hookup_free(hookup);

    hookup = parse_changed("[trigger weak-feed]",
                           "[storage]\nring = 512 MB\nmemory = 2 MiB\nsnapshots = 1GiB\n"
                           "keep-free = 0\nloss-window = 500 ms\n"
                           "[limits]\nfeed-tolerance = 300 mV\nfeed-inrush-exempt = 60 ms\n"
                           "hall-high-share = 0.8\n"
                           "[trigger weak-feed]");
    assert_int_equal(hookup->storage.ring_bytes, 512000000);
    assert_int_equal(hookup->storage.memory_bytes, 2097152);
    assert_int_equal(hookup->storage.snapshot_bytes, 1073741824);
    assert_int_equal(hookup->storage.keep_free_bytes, 0);
    assert_alike(hookup->storage.loss_window_s, 0.5);
    assert_alike(hookup->limits.feed_tolerance, 0.3);
    assert_alike(hookup->limits.feed_inrush_exempt, 0.06);
    assert_alike(hookup->limits.hall_high_share, 0.8);
    hookup_free(hookup);

    hookup = parse_changed("system = 12", "system = 24 V");
    assert_alike(hookup->vehicle.system_volts, 24);
    assert_alike(hookup->limits.cranking_floor, 19.2);
    hookup_free(hookup);
}

static void ground_of_a_board(void **state) {
    (void)state;
    struct hookup *hookup = parse_changed("ground = battery-negative", "ground = engine");
    assert_int_equal(hookup->boards[0].ground, GROUND_ENGINE);
    hookup_free(hookup);
    hookup = parse_changed("rate = 5000", "rate = 5000\nground = ecu");
    assert_int_equal(hookup->vehicle.ground, GROUND_BATTERY_NEGATIVE);
    assert_int_equal(hookup->boards[0].ground, GROUND_ECU);
    hookup_free(hookup);
}

/* Editors elsewhere write CRLF and a byte order mark; indents and '#' lines are common. */
static void other_editors(void **state) {
    (void)state;
    static const char text[] = "\xef\xbb\xbf# a comment\r\n"
                               "[vehicle]\r\n"
                               "  name = K\xc3\xbchlwagen ; not part of it\r\n"
                               "\r\n"
                               "\t[channel b]\r\n"
                               "\trole=battery\r\n"
                               "\tunit : V";
    struct hookup *hookup = parse(text, HOOKUP_FOR_IMPORT);
    assert_string_equal(hookup->vehicle.name, "K\xc3\xbchlwagen");
    assert_int_equal(hookup->vehicle.channel_count, 1);
    assert_int_equal(hookup->board_count, 0);
    hookup_free(hookup);
}

static void a_scale_of_the_board(void **state) {
    (void)state;
    struct hookup *hookup = parse_changed("measured-at = sensor",
                                          "skew = 7 us\npoints = 5.1:2650, 0.1:12\noffset = 10 mV");
    struct board_description description = {.inputs = 4, .skew_s = 2e-6};
    for (size_t i = 0; i < 4; i++) {
        description.volts_per_count[i] = 0.001;
        description.zero_counts[i] = 2048;
        description.rail_low[i] = 0;
        description.rail_high[i] = 4095;
    }
    struct problems problems = {0};
    for (int again = 0; again < 2; again++) { /* a reconnect fits anew, to the same end */
        assert_int_equal(hookup_fit_board(hookup, 0, &description, &problems), 0);
        const struct vehicle_channel *channels = hookup->vehicle.channels;
        assert_near(scale_value(&channels[0].scale, 2048), 0, 1e-9);
        assert_alike(scale_value(&channels[0].scale, 4048), 5.7 * 2);
        assert_alike(scale_value(&channels[2].scale, 3048), 1);
        assert_alike(scale_value(&channels[1].scale, 12), 0.11);
        assert_alike(scale_value(&channels[1].scale, 2650), 5.11);
        assert_alike(channels[1].skew_s, 7e-6);
        assert_alike(channels[3].skew_s, 6e-6);
        assert_int_equal(channels[3].rail_high, 4095);
    }
    description.skew_s = (double)NAN;
    assert_int_equal(hookup_fit_board(hookup, 0, &description, &problems), 0);
    assert_alike(hookup->vehicle.channels[3].skew_s, 0);
    hookup_free(hookup);
}

static void a_current_clamp(void **state) {
    (void)state;
    /* 10 mV an ampere, its zero at 2.5 V. */
    struct hookup *hookup = parse_changed("role = battery\ndivider = 5.7",
                                          "role = starter-current\namps-per-volt = 100\n"
                                          "offset = -250 A");
    struct board_description description = {.inputs = 4};
    for (size_t i = 0; i < 4; i++)
        description.volts_per_count[i] = 0.005;
    struct problems problems = {0};
    assert_int_equal(hookup_fit_board(hookup, 0, &description, &problems), 0);
    const struct vehicle_channel *clamp = &hookup->vehicle.channels[0];
    assert_string_equal(clamp->unit, "A");
    assert_alike(scale_value(&clamp->scale, 500), 0);
    assert_alike(scale_value(&clamp->scale, 900), 200);
    hookup_free(hookup);
}

static void a_board_that_contradicts(void **state) {
    (void)state;
    struct hookup *hookup = parse_changed("divider = 5.7", "volts-per-count = 0.0049");
    struct board_description description = {.inputs = 3};
    for (size_t i = 0; i < 4; i++)
        description.volts_per_count[i] = (double)NAN;
    struct problems problems = {0};
    assert_int_equal(hookup_fit_board(hookup, 0, &description, &problems), -EINVAL);
    assert_int_equal(problems.count, 3); /* two without volts a count, one input too many */
    assert_int_equal(problems.problem[0].line, text_line_of(text_sound, "[channel crank-feed]"));
    assert_non_null(strstr(problems.problem[0].text, "volts-per-count"));
    assert_non_null(strstr(problems.problem[2].text, "has 3 inputs"));
    assert_alike(scale_value(&hookup->vehicle.channels[0].scale, 1000), 4.9);
    problems_clear(&problems);
    hookup_free(hookup);
}

static void an_imported_column(void **state) {
    (void)state;
    struct hookup *hookup = parse("[channel a]\nrole = other\n[channel b]\nrole = signal\n"
                                  "skew = 3 us\n",
                                  HOOKUP_FOR_IMPORT);
    struct scale scale = scale_line(0.001, 0);
    assert_int_equal(hookup_fit_import(hookup, 1, 0, 5, &scale), 0);
    assert_int_equal(hookup_fit_import(hookup, 2, 0, 5, &scale), -ERANGE);
    const struct vehicle_channel *channel = &hookup->vehicle.channels[1];
    assert_int_equal(channel->input, 5);
    assert_alike(scale_value(&channel->scale, 4980), 4.98);
    assert_alike(channel->skew_s, 3e-6);
    hookup_free(hookup);
}

static void files_that_are_none(void **state) {
    (void)state;
    struct problems problems = {0};
    struct hookup *hookup = NULL;
    assert_int_equal(hookup_load("/nonexistent/x.hookup", HOOKUP_FOR_BOARDS, &hookup, &problems),
                     -ENOENT);
    assert_int_equal(hookup_load("/", HOOKUP_FOR_BOARDS, &hookup, &problems), -EISDIR);
    char path[] = "/tmp/cranktrap-hookup-XXXXXX";
    int file = mkstemp(path);
    assert_true(file >= 0);
    assert_int_equal(ftruncate(file, (1 << 20) + 1), 0);
    assert_int_equal(hookup_load(path, HOOKUP_FOR_BOARDS, &hookup, &problems), -EFBIG);
    assert_int_equal(ftruncate(file, 0), 0);
    assert_int_equal(hookup_load(path, HOOKUP_FOR_BOARDS, &hookup, &problems), -EINVAL);
    assert_int_equal(problems.count, 2); /* neither a board nor a channel */
    close(file);
    unlink(path);
    problems_clear(&problems);
    assert_null(hookup);
    hookup_free(NULL);
}

/* What only the driver can tell is told with the rest. */
static void boards_are_tried(void **state) {
    (void)state;
    static const char text[] = "[board a]\ndriver = text-serial\ndevice = /dev/ttyUSB0\n"
                               "rate = 250\ncolumns = counter,0,zero\n"
                               "[board b]\ndriver = sim\ninputs = 2\nrate = 0\n"
                               "[board c]\ndriver = sim\ninputs = 2\n"
                               "[channel x]\nboard = c\ninput = 2\nrole = feed\n";
    char path[] = "/tmp/cranktrap-hookup-XXXXXX";
    int file = mkstemp(path);
    assert_int_equal(write(file, text, strlen(text)), strlen(text));
    close(file);
    struct problems problems = {0};
    struct hookup *hookup = NULL;
    assert_int_equal(hookup_load(path, HOOKUP_FOR_BOARDS, &hookup, &problems), -EINVAL);
    unlink(path);
    if (problems.count != 3)
        problems_print(&problems, "text", stderr);
    assert_int_equal(problems.count, 3);
    assert_int_equal(problems.problem[0].line, 9); /* the table's: rate = 0 */
    assert_int_equal(problems.problem[1].line, 1); /* text-serial knows no column "zero" */
    assert_int_equal(problems.problem[2].line, 13);
    assert_non_null(strstr(problems.problem[2].text, "has 2 inputs"));
    problems_clear(&problems);
}

static void the_sample_is_sound(void **state) {
    (void)state;
    struct problems problems = {0};
    struct hookup *hookup = NULL;
    int result = hookup_load(CRANKTRAP_SOURCE "/daemon/service/sample.hookup", HOOKUP_FOR_BOARDS,
                             &hookup, &problems);
    problems_print(&problems, "sample.hookup", stderr);
    assert_int_equal(result, 0);
    assert_true(hookup->vehicle.sensor_count > 0);
    problems_clear(&problems);
    hookup_free(hookup);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(reads_the_whole_example), cmocka_unit_test(reads_the_sensor),
        cmocka_unit_test(reads_triggers),          cmocka_unit_test(reads_conditions),
        cmocka_unit_test(storage_and_limits),      cmocka_unit_test(ground_of_a_board),
        cmocka_unit_test(other_editors),           cmocka_unit_test(a_scale_of_the_board),
        cmocka_unit_test(a_current_clamp),         cmocka_unit_test(a_board_that_contradicts),
        cmocka_unit_test(an_imported_column),      cmocka_unit_test(files_that_are_none),
        cmocka_unit_test(the_sample_is_sound),     cmocka_unit_test(boards_are_tried),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
