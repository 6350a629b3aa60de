// SPDX-License-Identifier: Apache-2.0
/*
 * usb_tmc_test.c - the driver usb-tmc and its transport with a played burst board
 * (mock_tmc.h) that does everything wrong. Its scans count up: each block shows how many were taken
 * before it.
 */
#include "board_files.h"
#include "cmocka_helper.h"
#include "mock_tmc.h"
#include "usb_devices.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define BLOCK    500
#define PATIENCE 5000 /* fetches */

struct rig {
    struct mock_tmc *mock;
    struct board_file_read *file;
    const struct board_driver *driver;
    struct board *board;
    uint32_t next; /* the scan that comes next, if nothing is lost */
    size_t blocks;
    uint64_t told[BOARD_LOSSES]; /* scans */
    uint64_t lost_before;        /* since the last block, without dead time */
    bool any, wrong;
    FILE *text; /* not NULL: scans and losses are only written down, dead time left out */
};

static void on_samples(void *context, const int32_t *counts, size_t scans) {
    struct rig *rig = context;
    for (size_t i = 0; rig->text && i < 4 * scans; i++)
        fprintf(rig->text, "%d%c", counts[i], i % 4 == 3 ? '\n' : ',');
    if (rig->text)
        return;
    uint32_t first = rig->next + (uint32_t)rig->lost_before;
    for (size_t i = 0; i < 4 * scans; i++)
        rig->wrong |= rig->any && counts[i] != (int16_t)(4 * first + i);
    rig->wrong |= scans == 0;
    rig->any = true;
    rig->next = (uint32_t)((uint16_t)counts[4 * (scans - 1)] / 4 + 1);
    rig->lost_before = 0;
    rig->blocks++;
}

static void on_loss(void *context, enum board_loss reason, uint64_t scans) {
    struct rig *rig = context;
    rig->wrong |= !rig->any || scans == 0;
    rig->told[reason] += scans;
    if (reason == BOARD_LOSS_DEAD_TIME)
        return;
    rig->lost_before += scans;
    if (rig->text)
        fprintf(rig->text, "lost %llu %s\n", (unsigned long long)scans, board_loss_name(reason));
}

static void on_note(void *context, enum board_note note, int64_t value) {
    struct rig *rig = context;
    (void)note, (void)value;
    rig->wrong = true;
}

/* ---- rig ---- */

static void open_with(struct rig *rig, const struct board_setting *more, size_t count) {
    static struct board_setting all[8];
    static const struct board_id ids[] = {{.vendor = MOCK_TMC_VENDOR, .product = MOCK_TMC_PRODUCT},
                                          {0}};
    const struct board_sinks sinks = {rig, on_samples, on_loss, on_note};
    size_t used = 0;
    for (size_t i = 0; i < count; i++)
        all[used++] = more[i]; /* the first of a name counts */
    for (size_t i = 0; i < rig->file->setting_count; i++)
        all[used++] = rig->file->setting[i];
    rig->file->file.ids = ids;
    const struct board_settings settings = {used, all, &rig->file->file, NULL};
    char why[256] = "";
    if (rig->driver->open(&settings, &sinks, &rig->board, why, sizeof why) < 0)
        fail_msg("%s", why);
}

static int set_up(void **state) {
    static const struct board_setting quick = {"answer", "0.3"};
    struct rig *rig = calloc(1, sizeof *rig);
    struct problems problems = {0};
    char path[BOARD_PATH_MAX];
    assert_non_null(rig);
    assert_int_equal(board_files_load(CRANKTRAP_SOURCE "/drivers/boards/tmc-burst-4x16.board",
                                      &rig->file, &problems, path),
                     0);
    rig->driver = rig->file->file.driver;
    rig->mock = mock_tmc_new();
    open_with(rig, &quick, 1);
    *state = rig;
    return 0;
}

static int tear_down(void **state) {
    struct rig *rig = *state;
    rig->driver->close(rig->board);
    assert_true(mock_tmc_seen(rig->mock).claims <= 0);
    mock_tmc_free(rig->mock);
    board_files_free(rig->file);
    free(rig);
    return 0;
}

static int begin(struct rig *rig) {
    struct board_bytes request;
    rig->any = false;
    rig->lost_before = 0;
    return rig->driver->start(rig->board, &request);
}

static void fetch_blocks(struct rig *rig, size_t more) {
    size_t wanted = rig->blocks + more;
    for (int i = 0; rig->blocks < wanted; i++) {
        assert_true(i < PATIENCE);
        assert_true(rig->driver->fetch(rig->board, 100) >= 0);
    }
    assert_false(rig->wrong);
}

/* ---- what is right ---- */

static void blocks_and_the_dead_time_between(void **state) {
    struct rig *rig = *state;
    struct board_description description;
    mock_tmc_plug(rig->mock);
    assert_int_equal(begin(rig), 0);
    fetch_blocks(rig, 5);
    assert_string_equal(mock_tmc_seen(rig->mock).commands,
                        "*RST;ACQ:RATE 10000;ACQ:INPUTS 0:3;ACQ:SCANS 500;");
    /* Four pauses of at least 20 ms at 10 kHz; the board waits for a deaf computer, too. */
    assert_true(rig->told[BOARD_LOSS_DEAD_TIME] >= 4 * 190);
    for (int i = 0; i < BOARD_LOSS_DEAD_TIME; i++)
        assert_int_equal(rig->told[i], 0);
    assert_int_equal(rig->driver->describe(rig->board, &description), 0);
    assert_true(fabs(description.dead_time_s - 0.02) < 1e-9);
    assert_true(fabs(description.rate_hz - 10000) < 1e-6);
    assert_int_equal(description.inputs, 4);
    assert_true(fabs(description.volts_per_count[0] - 20.0 / 65535) < 1e-9);
}

/* A block of 64 000 bytes comes in two answers to two requests. */
static void long_blocks_come_in_pieces(void **state) {
    struct rig *rig = *state;
    static const struct board_setting fast[] = {{"block", "8000"}, {"rate", "100000"}};
    rig->driver->close(rig->board);
    open_with(rig, fast, 2);
    mock_tmc_plug(rig->mock);
    assert_int_equal(begin(rig), 0);
    fetch_blocks(rig, 3);
    assert_non_null(strstr(mock_tmc_seen(rig->mock).commands, "ACQ:RATE 100000;"));
    assert_int_equal(rig->told[BOARD_LOSS_DAMAGED], 0);
}

/* 12 + 500 bytes: the answer fills its packet, and an empty one follows. */
static void a_whole_packet_is_no_trap(void **state) {
    struct rig *rig = *state;
    static const struct board_setting size[] = {{"block", "61"}, {"rate", "10000"}};
    rig->driver->close(rig->board);
    open_with(rig, size, 2);
    mock_tmc_plug(rig->mock);
    assert_int_equal(begin(rig), 0);
    fetch_blocks(rig, 5); /* # 6 000488, 488 bytes, a line feed: 497, filled up to 500 */
    assert_int_equal(rig->told[BOARD_LOSS_DAMAGED] + rig->told[BOARD_LOSS_NO_ANSWER], 0);
}

/* ---- what goes wrong ---- */

/* Two blocks are spoiled: as many scans are lost, for that reason; then it goes on. */
static void spoil(struct rig *rig, enum mock_tmc_fault fault, enum board_loss reason,
                  const char *says) {
    mock_tmc_plug(rig->mock);
    assert_int_equal(begin(rig), 0);
    fetch_blocks(rig, 2);
    unsigned clears = mock_tmc_seen(rig->mock).clears;
    mock_tmc_fail(rig->mock, fault, 2);
    bool said = false;
    for (int i = 0; i < PATIENCE && mock_tmc_seen(rig->mock).clears < clears + 2; i++) {
        assert_true(rig->driver->fetch(rig->board, 100) >= 0);
        said |= strstr(rig->driver->explain(rig->board), says) != NULL;
    }
    if (fault == MOCK_TMC_REFUSE) /* it took no scans for a question that it did not take */
        rig->next -= 2 * BLOCK;
    fetch_blocks(rig, 3);
    assert_true(said);
    assert_int_equal(rig->told[reason], 2 * BLOCK);
    assert_string_equal(rig->driver->explain(rig->board), "");
}

static void a_stall_is_cleared(void **state) {
    spoil(*state, MOCK_TMC_STALL, BOARD_LOSS_REFUSED, "refuses to send the block");
}
static void a_short_transfer_is_damage(void **state) {
    spoil(*state, MOCK_TMC_SHORT, BOARD_LOSS_DAMAGED, "no whole block");
}
static void an_answer_to_another_request_is_damage(void **state) {
    spoil(*state, MOCK_TMC_WRONG_TAG, BOARD_LOSS_DAMAGED, "no whole block");
}
static void an_error_text_is_no_block(void **state) {
    spoil(*state, MOCK_TMC_TEXT, BOARD_LOSS_DAMAGED, "no whole block");
}
static void half_a_block_is_damage(void **state) {
    spoil(*state, MOCK_TMC_HALF, BOARD_LOSS_DAMAGED, "no whole block");
}
static void silence_is_told(void **state) {
    spoil(*state, MOCK_TMC_SILENT, BOARD_LOSS_NO_ANSWER, "does not send the block");
}
static void a_refused_command_is_told(void **state) {
    spoil(*state, MOCK_TMC_REFUSE, BOARD_LOSS_REFUSED, "refuses to send the block");
}

/* Three in a row: the core is told, and opens it anew. */
static void what_does_not_help_is_given_up(void **state) {
    struct rig *rig = *state;
    mock_tmc_plug(rig->mock);
    assert_int_equal(begin(rig), 0);
    fetch_blocks(rig, 1);
    mock_tmc_fail(rig->mock, MOCK_TMC_TEXT, 3);
    int result = 0;
    for (int i = 0; i < PATIENCE && result >= 0; i++)
        result = rig->driver->fetch(rig->board, 100);
    assert_int_equal(result, -EBADMSG);
    assert_int_equal(begin(rig), 0);
    fetch_blocks(rig, 2);
}

static void unplugged_and_back(void **state) {
    struct rig *rig = *state;
    for (int cycle = 0; cycle < 20; cycle++) {
        mock_tmc_plug(rig->mock);
        assert_int_equal(begin(rig), 0);
        fetch_blocks(rig, 1);
        if (cycle % 2) /* in the middle of one */
            assert_int_equal(rig->driver->fetch(rig->board, 5), 0);
        mock_tmc_unplug(rig->mock);
        int result = 0;
        for (int i = 0; i < PATIENCE && result >= 0; i++)
            result = rig->driver->fetch(rig->board, 100);
        assert_int_equal(result, -ENODEV);
        assert_int_equal(begin(rig), -ENOENT);
        assert_int_equal(rig->driver->fetch(rig->board, 100), -ENODEV);
    }
}

static void stops_in_any_state(void **state) {
    struct rig *rig = *state;
    struct board_bytes request;
    assert_int_equal(rig->driver->stop(rig->board, &request), 0);
    mock_tmc_plug(rig->mock);
    assert_int_equal(begin(rig), 0);
    assert_int_equal(rig->driver->stop(rig->board, &request), 0);
    assert_int_equal(begin(rig), 0);
    assert_int_equal(rig->driver->fetch(rig->board, 5), 0);
    assert_int_equal(rig->driver->stop(rig->board, &request), 0);
    assert_int_equal(rig->driver->stop(rig->board, &request), 0);
    assert_non_null(strstr(mock_tmc_seen(rig->mock).commands, "ABOR;"));
    assert_int_equal(rig->driver->fetch(rig->board, 5), -ENODEV);
    assert_int_equal(mock_tmc_seen(rig->mock).claims, 0);
    rig->driver->close(NULL);
}

/* ---- what was recorded ---- */

/* Each line is a message of the board (tests/boards/make_logs.py). */
static void recorded_blocks_give_the_recorded_scans(void **state) {
    struct rig *rig = *state;
    static char line[65536], told[65536], expected[65536];
    FILE *bytes = fopen(CRANKTRAP_SOURCE "/tests/boards/tmc-burst-4x16.bytes", "r");
    FILE *scans = fopen(CRANKTRAP_SOURCE "/tests/boards/tmc-burst-4x16.scans", "r");
    assert_true(bytes && scans);
    size_t length = fread(expected, 1, sizeof expected - 1, scans);
    expected[length] = '\0';
    rig->text = fmemopen(told, sizeof told, "w");
    assert_non_null(rig->text);
    rig->any = true;
    mock_tmc_plug(rig->mock);
    struct board_bytes request;
    assert_int_equal(rig->driver->start(rig->board, &request), 0);
    while (fgets(line, sizeof line, bytes)) {
        uint8_t message[sizeof line / 2];
        size_t count = 0;
        for (const char *at = line; *at && *at != '\n'; at += 2 + (at[2] == ' '))
            message[count++] = (uint8_t)strtoul((char[]){at[0], at[1], '\0'}, NULL, 16);
        mock_tmc_say(rig->mock, message, count);
        unsigned clears = mock_tmc_seen(rig->mock).clears;
        for (int i = 0; rig->driver->fetch(rig->board, 100) == 0; i++) {
            assert_true(i < PATIENCE);
            if (mock_tmc_seen(rig->mock).clears > clears)
                break;
        }
    }
    fclose(rig->text);
    rig->text = NULL;
    fclose(bytes);
    fclose(scans);
    assert_string_equal(told, expected);
}

#define TEST(function) cmocka_unit_test_setup_teardown(function, set_up, tear_down)

int main(void) {
    const struct CMUnitTest tests[] = {
        TEST(blocks_and_the_dead_time_between),
        TEST(long_blocks_come_in_pieces),
        TEST(a_whole_packet_is_no_trap),
        TEST(a_stall_is_cleared),
        TEST(a_short_transfer_is_damage),
        TEST(an_answer_to_another_request_is_damage),
        TEST(an_error_text_is_no_block),
        TEST(half_a_block_is_damage),
        TEST(silence_is_told),
        TEST(a_refused_command_is_told),
        TEST(what_does_not_help_is_given_up),
        TEST(unplugged_and_back),
        TEST(stops_in_any_state),
        TEST(recorded_blocks_give_the_recorded_scans),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
