// SPDX-License-Identifier: Apache-2.0
/*
 * head_test.c - a head says the same after writing and reading, and a wrong one is refused.
 */
#include "recording_helper.h"

#include "head.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static struct hookup *parse_hookup(const char *text, enum hookup_use use) {
    struct hookup *hookup = NULL;
    struct problems problems = {0};
    int error = hookup_parse(text, strlen(text), use, &hookup, &problems);
    if (error)
        problems_print(&problems, "hookup", stderr);
    problems_clear(&problems);
    assert_int_equal(error, 0);
    return hookup;
}

static struct head *parse(const char *json) {
    struct head *head = NULL;
    char why[300] = "";
    int error = head_parse(json, strlen(json), &head, why, sizeof why);
    if (error)
        fail_msg("%d: %s", error, why);
    return head;
}

/* Bit for bit: a scale that comes back a little off would measure a little wrong. */
static void assert_same_double(double value, double expected) {
    assert_memory_equal(&value, &expected, sizeof value);
}

static void assert_same_channels(const struct vehicle *vehicle, const struct vehicle *expected) {
    assert_int_equal(vehicle->channel_count, expected->channel_count);
    for (size_t i = 0; i < vehicle->channel_count; i++) {
        const struct vehicle_channel *a = &vehicle->channels[i], *b = &expected->channels[i];
        assert_string_equal(a->name, b->name);
        assert_int_equal(a->role, b->role);
        assert_string_equal(a->unit, b->unit);
        assert_int_equal(a->stream, b->stream);
        assert_int_equal(a->input, b->input);
        assert_int_equal(a->rail_low, b->rail_low);
        assert_int_equal(a->rail_high, b->rail_high);
        assert_same_double(a->skew_s, b->skew_s);
        assert_int_equal(a->scale.points, b->scale.points);
        for (size_t k = 0; k < a->scale.points; k++) {
            assert_same_double(a->scale.counts[k], b->scale.counts[k]);
            assert_same_double(a->scale.values[k], b->scale.values[k]);
        }
    }
}

static void boards_come_back_as_they_were(void **state) {
    (void)state;
    struct hookup *hookup = parse_hookup(recording_hookup, HOOKUP_FOR_BOARDS);
    struct head_stream streams[RECORDING_STREAMS];
    recording_streams(streams);
    /* Numbers that no short decimal is. */
    streams[0].rate_hz = streams[0].description.rate_hz = 1000.0 / 3.0;
    streams[0].description.volts_per_count[0] = 5.0 / 4095 * (1 + 0x1p-40);
    streams[0].description.zero_counts[1] = -0.1;
    streams[0].description.skew_s = 1e-6 / 7;
    streams[0].description.dead_time_s = 0x1.fffffffffffffp-10;
    streams[0].description.bits[1] = 32;
    streams[0].description.rail_low[1] = INT32_MIN;
    streams[0].description.rail_high[1] = INT32_MAX;
    streams[1].description.rail_low[0] = 1; /* unknown */
    streams[1].description.rail_high[0] = 0;
    streams[1].description.volts_per_count[0] = (double)NAN;
    streams[1].description.skew_s = (double)NAN;
    struct problems problems = {0};
    for (size_t i = 0; i < RECORDING_STREAMS; i++)
        assert_int_equal(hookup_fit_board(hookup, i, &streams[i].description, &problems), 0);
    char *json = NULL;
    assert_int_equal(head_format(hookup, RECORDING_STREAMS, streams, &json), 0);

    struct head *head = parse(json);
    assert_string_equal(head->software, "cranktrap " CRANKTRAP_VERSION);
    assert_string_equal(head->hookup->text, recording_hookup);
    assert_int_equal(head->stream_count, RECORDING_STREAMS);
    for (size_t i = 0; i < RECORDING_STREAMS; i++) {
        const struct head_stream *a = &head->streams[i], *b = &streams[i];
        assert_string_equal(a->name, b->name);
        assert_string_equal(a->driver, b->driver);
        assert_true(a->described);
        assert_same_double(a->rate_hz, b->rate_hz);
        const struct board_description *x = &a->description, *y = &b->description;
        assert_int_equal(x->inputs, y->inputs);
        assert_string_equal(x->identity, y->identity);
        assert_true(isnan(x->skew_s) ? isnan(y->skew_s) : x->skew_s == y->skew_s);
        assert_same_double(x->dead_time_s, y->dead_time_s);
        for (size_t k = 0; k < x->inputs; k++) {
            assert_int_equal(x->bits[k], y->bits[k]);
            assert_int_equal(x->rail_low[k], y->rail_low[k]);
            assert_int_equal(x->rail_high[k], y->rail_high[k]);
            assert_true(isnan(y->volts_per_count[k])
                            ? isnan(x->volts_per_count[k])
                            : x->volts_per_count[k] == y->volts_per_count[k]);
            assert_same_double(x->zero_counts[k], y->zero_counts[k]);
        }
    }
    assert_same_channels(&head->hookup->vehicle, &hookup->vehicle);
    head_free(head);
    free(json);
    hookup_free(hookup);
}

/* A record says what it was calibrated with, whatever the state folder learns later. */
static void calibrations_come_back(void **state) {
    (void)state;
    struct hookup *hookup = parse_hookup(recording_hookup, HOOKUP_FOR_BOARDS);
    struct head_stream streams[RECORDING_STREAMS];
    recording_streams(streams);
    snprintf(streams[0].description.identity, sizeof streams[0].description.identity,
             "caf\xe9 board 7"); /* Latin-1 */
    struct problems problems = {0};
    const struct vehicle_channel *channel = &hookup->vehicle.channels[0];
    struct calibration calibration = {.board = "caf? board 7",
                                      .input = channel->input,
                                      .points = 1,
                                      .point = {{.counts = 1234.5}},
                                      .kind = CALIBRATION_LINE,
                                      .gain = 1.0 + 0x1p-30,
                                      .offset = 0.1};
    snprintf(calibration.unit, sizeof calibration.unit, "%s", channel->unit);
    assert_int_equal(channel->stream, 0);
    assert_int_equal(hookup_fit_board(hookup, 0, &streams[0].description, &problems), 0);
    calibration.point[0].nominal = scale_value(&channel->scale, 1234.5);
    double before = scale_value(&channel->scale, 1000);
    assert_int_equal(hookup_calibrate(hookup, &calibration, 1), 0);
    for (size_t i = 0; i < RECORDING_STREAMS; i++)
        assert_int_equal(hookup_fit_board(hookup, i, &streams[i].description, &problems), 0);
    assert_true(scale_value(&channel->scale, 1000) > before + 0.09);
    char *json = NULL;
    assert_int_equal(head_format(hookup, RECORDING_STREAMS, streams, &json), 0);
    struct head *head = parse(json);
    assert_same_channels(&head->hookup->vehicle, &hookup->vehicle);
    assert_int_equal(hookup_calibration(head->hookup, 0)->state, CALIBRATION_APPLIED);
    head_free(head);
    char *gain = strstr(json, "\"gain\":1");
    assert_non_null(gain);
    gain[strlen("\"gain\":")] = '7';
    char why[300] = "";
    assert_int_equal(head_parse(json, strlen(json), &head, why, sizeof why), -EBADMSG);
    assert_non_null(strstr(why, "calibration"));
    free(json);
    hookup_free(hookup);
}

static void a_board_not_yet_seen(void **state) {
    (void)state;
    struct hookup *hookup = parse_hookup(recording_hookup, HOOKUP_FOR_BOARDS);
    struct head_stream streams[RECORDING_STREAMS];
    recording_streams(streams);
    streams[0].described = false;
    char *json = NULL;
    assert_int_equal(head_format(hookup, RECORDING_STREAMS, streams, &json), 0);
    struct head *head = parse(json);
    assert_false(head->streams[0].described);
    assert_true(head->streams[1].described);
    assert_string_equal(head->streams[0].name, "logger");
    head_free(head);
    free(json);
    hookup_free(hookup);
}

static const char import_hookup[] = "[channel battery]\nrole = battery\n"
                                    "[channel crank-feed]\nrole = feed\nnominal = 5\n";

static void imported_scales_come_from_the_head(void **state) {
    (void)state;
    struct hookup *hookup = parse_hookup(import_hookup, HOOKUP_FOR_IMPORT);
    struct head_stream stream = {
        .name = "import", .driver = "import", .rate_hz = 2000, .described = true};
    stream.description.inputs = 2;
    for (size_t i = 0; i < 2; i++) {
        stream.description.bits[i] = 17;
        stream.description.rail_low[i] = 1;
        stream.description.volts_per_count[i] = (double)NAN;
    }
    /* The columns in the other order, a curve among the scales. */
    struct scale line = scale_line(0.001 / 3, -0.1);
    struct scale curve = {.points = 3, .counts = {-5, 0.5, 1e6}, .values = {-1, 0.1 + 0.2, 14.4}};
    assert_int_equal(hookup_fit_import(hookup, 0, 0, 1, &line), 0);
    assert_int_equal(hookup_fit_import(hookup, 1, 0, 0, &curve), 0);
    char *json = NULL;
    assert_int_equal(head_format(hookup, 1, &stream, &json), 0);
    struct head *head = parse(json);
    assert_same_channels(&head->hookup->vehicle, &hookup->vehicle);
    assert_int_equal(head->hookup->vehicle.channels[0].input, 1);
    assert_int_equal(head->hookup->vehicle.channels[1].scale.points, 3);
    head_free(head);
    free(json);
    hookup_free(hookup);
}

static void old_encodings_do_not_cost_the_head(void **state) {
    (void)state;
    struct hookup *hookup = parse_hookup(recording_hookup, HOOKUP_FOR_BOARDS);
    struct head_stream streams[RECORDING_STREAMS];
    recording_streams(streams);
    snprintf(streams[0].description.identity, sizeof streams[0].description.identity,
             "Me\xDFger\xE4t \x01 \"7\"");
    char *json = NULL;
    assert_int_equal(head_format(hookup, RECORDING_STREAMS, streams, &json), 0);
    struct head *head = parse(json);
    assert_string_equal(head->streams[0].description.identity, "Me\xC3\x9Fger\xC3\xA4t \x01 \"7\"");
    head_free(head);
    free(json);
    hookup_free(hookup);
}

/* ---- wrong ones ---- */

/* `json` with the first `from` replaced; free it. */
static char *replaced(const char *json, const char *from, const char *to) {
    const char *at = strstr(json, from);
    if (!at)
        fail_msg("no %s in %s", from, json);
    char *text = NULL;
    assert_true(asprintf(&text, "%.*s%s%s", (int)(at - json), json, to, at + strlen(from)) > 0);
    return text;
}

static void assert_refused(const char *json, size_t length, const char *expected) {
    struct head *head = (struct head *)1;
    char why[300] = "";
    int error = head_parse(json, length, &head, why, sizeof why);
    if (error != -EBADMSG || !strstr(why, expected))
        fail_msg("%d \"%s\", not \"%s\"", error, why, expected);
    assert_ptr_equal(head, (struct head *)1);
    assert_int_equal(head_parse(json, length, &head, NULL, 0), -EBADMSG);
}

static void wrong_heads_are_refused_with_a_reason(void **state) {
    (void)state;
    static const struct {
        const char *from, *to, *why;
    } changes[] = {
        {"{\"format\"", "\"format\"", "no JSON"},
        {"head/1", "head/7", "cranktrap.head/7"},
        {"\"cranktrap.head/1\"", "0", "\"format\" is no text"},
        {"\"software\":", "\"softwear\":", "\"software\""},
        {"\"streams\":[", "\"streams\":[],\"streems\":[", "streams"},
        {"\"board\":\"logger\"", "\"board\":7", "\"board\""},
        {"\"described\":true", "\"described\":1", "\"described\""},
        {"\"rate_hz\":1000.0", "\"rate_hz\":-1000.0", "\"rate_hz\""},
        {"\"rate_hz\":1000.0", "\"rate_hz\":\"fast\"", "\"rate_hz\""},
        {"\"rate_hz\":1000.0", "\"rate_hz\":1e999", "no JSON"},
        {"\"bits\":12", "\"bits\":33", "\"bits\""},
        {"\"bits\":12", "\"bits\":12.5", "\"bits\""},
        {"\"input\":1", "\"input\":7", "\"input\""},
        {"\"rail_high\":4095", "\"rail_high\":4294967296", "\"rail_high\""},
        {"\"zero_counts\":0.0", "\"zero_counts\":[]", "\"zero_counts\""},
        {"\"hookup\":\"", "\"hookup\":null,\"hock\":\"", "\"hookup\""},
        {"role = feed", "role = fedd", "hookup in this file"},
        {"driver = packet-serial", "driver = from-the-future", "from-the-future"},
        {"divider = 5.7", "divider = 5.7\\ninput = 1", "hookup in this file"},
        {"[board meter]", "[board third]\\ndriver = sim\\n[board meter]", "3 boards"},
    };
    char *json = recording_head();
    for (size_t i = 0; i < sizeof changes / sizeof changes[0]; i++) {
        char *wrong = replaced(json, changes[i].from, changes[i].to);
        assert_refused(wrong, strlen(wrong), changes[i].why);
        free(wrong);
    }
    for (size_t length = 0; length < strlen(json); length += 37)
        assert_refused(json, length, "no JSON");
    free(json);
}

static void wrong_scales_are_refused(void **state) {
    (void)state;
    struct hookup *hookup = parse_hookup(import_hookup, HOOKUP_FOR_IMPORT);
    struct head_stream stream = {
        .name = "import", .driver = "import", .rate_hz = 10, .described = true};
    stream.description.inputs = 2;
    struct scale line = {.points = 2, .counts = {0, 10}, .values = {0, 1}};
    for (size_t i = 0; i < 2; i++)
        assert_int_equal(hookup_fit_import(hookup, i, 0, i, &line), 0);
    char *json = NULL;
    assert_int_equal(head_format(hookup, 1, &stream, &json), 0);
    static const struct {
        const char *from, *to, *why;
    } changes[] = {
        {"\"counts\":[0.0,10.0]", "\"counts\":[0.0]", "2 to 8 points"},
        {"\"counts\":[0.0,10.0]", "\"counts\":[1,2,3,4,5,6,7,8,9]", "2 to 8 points"},
        {"\"counts\":[0.0,10.0]", "\"counts\":[10.0,0.0]", "rising"},
        {"\"counts\":[0.0,10.0]", "\"counts\":[0.0,null]", "rising"},
        {"\"values\":[0.0,1.0]", "\"values\":{}", "2 to 8 points"},
        {"\"channel\":\"battery\"", "\"channel\":\"buttery\"", "no column"},
        {"\"channel\":\"battery\"", "\"channel\":null", "no column"},
    };
    for (size_t i = 0; i < sizeof changes / sizeof changes[0]; i++) {
        char *wrong = replaced(json, changes[i].from, changes[i].to);
        assert_refused(wrong, strlen(wrong), changes[i].why);
        free(wrong);
    }
    free(json);
    hookup_free(hookup);
    head_free(NULL);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(boards_come_back_as_they_were),
        cmocka_unit_test(calibrations_come_back),
        cmocka_unit_test(a_board_not_yet_seen),
        cmocka_unit_test(imported_scales_come_from_the_head),
        cmocka_unit_test(old_encodings_do_not_cost_the_head),
        cmocka_unit_test(wrong_heads_are_refused_with_a_reason),
        cmocka_unit_test(wrong_scales_are_refused),
    };
    return cmocka_run_group_tests_name("head", tests, NULL, NULL);
}
