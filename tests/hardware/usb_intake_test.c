// SPDX-License-Identifier: Apache-2.0
/*
 * usb_intake_test.c - the whole intake on a USB board described by a board file: scans, counted
 * losses, unplugging and coming back, silence and the reset that ends it.
 */
#include "board_files.h"
#include "cmocka_helper.h"
#include "intake_helper.h"
#include "mock_usb.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

struct yard {
    struct mock_yard *mocks;
    struct mock_usb *mock;
    struct board_file_read *file;
    struct rig *rig;
};

/* The shipped file, with the ids of the board that is played and a short silence; its packets with
 * or without what shows where they begin. */
static struct board_file_read *load_file(bool header, bool iso) {
    static char text[4000];
    struct problems problems = {0};
    struct board_file_read *read = NULL;
    FILE *file = fopen(CRANKTRAP_SOURCE "/drivers/boards/bulk-packed-12.board", "r");
    assert_non_null(file);
    size_t used = 0;
    for (char line[256]; fgets(line, sizeof line, file);) {
        if (!header && (strncmp(line, "header", 6) == 0 || strncmp(line, "counter", 7) == 0))
            continue;
        bool replaced = strncmp(line, "silence", 7) == 0;
        const char *written = replaced ? "silence = 500 ms\nids = 1209:0002\n" : line;
        if (iso && strncmp(line, "driver", 6) == 0)
            written = "driver = usb-iso\n";
        if (iso && strncmp(line, "interface", 9) == 0)
            written = "alternate = 1\n";
        used += (size_t)snprintf(text + used, sizeof text - used, "%s", written);
    }
    fclose(file);
    int result = board_files_parse(text, used, "bulk", &read, &problems);
    problems_print(&problems, "bulk.board", stderr);
    assert_int_equal(result, 0);
    return read;
}

static int set_up_with(void **state, bool header, bool iso) {
    struct yard *yard = calloc(1, sizeof *yard);
    assert_non_null(yard);
    yard->mocks = mock_yard_new();
    yard->mock = mock_usb_new(yard->mocks, 3, "CT0001");
    if (iso)
        mock_usb_isochronous(yard->mock);
    yard->file = load_file(header, iso);
    yard->rig = rig_new();
    rig_add(yard->rig, "logger", yard->file->file.driver, NULL);
    yard->rig->boards[0].settings = (struct board_settings){
        yard->file->setting_count, yard->file->setting, &yard->file->file, NULL};
    yard->rig->boards[0].rate_hz = 100000;
    *state = yard;
    return 0;
}

static int set_up(void **state) {
    return set_up_with(state, true, false);
}

static int set_up_without_header(void **state) {
    return set_up_with(state, false, false);
}

static int set_up_isochronous(void **state) {
    return set_up_with(state, true, true);
}

static int tear_down(void **state) {
    struct yard *yard = *state;
    rig_free(yard->rig);
    board_files_free(yard->file);
    mock_yard_free(yard->mocks);
    free(yard);
    return 0;
}

#define WAIT(condition)                                                                            \
    do {                                                                                           \
        unsigned waited = 0;                                                                       \
        while (!(condition)) {                                                                     \
            if (++waited > 6000)                                                                   \
                fail_msg("never: %s", #condition);                                                 \
            usleep(5000);                                                                          \
        }                                                                                          \
    } while (0)

static struct intake_status status(struct yard *yard) {
    return rig_status(yard->rig, 0);
}

static void wait_for_scans(struct yard *yard, uint64_t more) {
    uint64_t wanted = status(yard).scans + more;
    WAIT(status(yard).scans >= wanted);
}

/* An event of that state whose text has `part` in it. */
static bool told_of(struct yard *yard, enum intake_board_state state, const char *part) {
    struct told told = rig_told(yard->rig, 0);
    for (size_t i = 0; i < told.event_count; i++)
        if (told.state[i] == state && strstr(told.text[i], part))
            return true;
    return false;
}

/*
 * Every stored scan is in its place: input 0 of scan n counts 4 n modulo 4096, over losses of known
 * size as well. Returns how many scans are lost by the chunks.
 */
static uint64_t check_stored(struct yard *yard) {
    static int32_t counts[1u << 20];
    uint64_t lost = 0;
    int64_t expected = -1;
    struct stored *stored = stored_take(yard->rig);
    assert_true(stored->count > 0);
    for (size_t i = 0; i < stored->count; i++) {
        const struct chunk *chunk = &stored->chunk[i];
        if (chunk->type == CHUNK_LOSS) {
            uint64_t scans;
            const char *reason;
            size_t length;
            assert_int_equal(chunk_parse_loss(chunk, &scans, &reason, &length), 0);
            bool known = scans != RECORD_LOSS_UNKNOWN;
            lost += known ? scans : 0;
            expected = known ? (expected + 4 * (int64_t)scans) % 4096 : -1;
        } else if (chunk->type == CHUNK_BLOCK) {
            stored_counts(chunk, 0, counts);
            for (size_t scan = 0; scan < chunk->scans; scan++) {
                if (expected >= 0)
                    assert_int_equal(counts[scan], expected);
                expected = (counts[scan] + 4) % 4096;
            }
        }
    }
    stored_free(stored);
    return lost;
}

static void a_board_that_is_not_there_is_waited_for(void **state) {
    struct yard *yard = *state;
    rig_start(yard->rig);
    WAIT(told_of(yard, INTAKE_WAITING, "USB board 1209:0002 is not there now"));
    mock_usb_plug(yard->mock);
    wait_for_scans(yard, 50000);
    intake_stop(yard->rig->intake);
    struct intake_status end = status(yard);
    assert_int_equal(end.scans_lost, 0);
    assert_int_equal(end.losses_unknown, 0);
    assert_int_equal(check_stored(yard), 0);
    assert_int_equal(mock_usb_seen(yard->mock).claims, 0);
}

/* What the board drops, and what noise on the cable costs, is known to the scan. */
static void losses_are_counted_to_the_scan(void **state) {
    struct yard *yard = *state;
    mock_usb_plug(yard->mock);
    rig_start(yard->rig);
    wait_for_scans(yard, 5000);
    mock_usb_skip(yard->mock, 3);
    WAIT(status(yard).scans_lost >= 3 * MOCK_SCANS);
    assert_int_equal(status(yard).scans_lost, 3 * MOCK_SCANS);
    static const enum mock_fault faults[] = {MOCK_PROTOCOL_ERROR, MOCK_OVERFLOW, MOCK_FLIPPED,
                                             MOCK_SHORT, MOCK_STALL};
    for (size_t i = 0; i < sizeof faults / sizeof faults[0]; i++) {
        wait_for_scans(yard, 5000);
        uint64_t before = status(yard).scans_lost;
        mock_usb_fail(yard->mock, faults[i], 1);
        if (faults[i] != MOCK_STALL) /* scans that wait in the byte ring prove nothing */
            WAIT(status(yard).scans_lost > before);
        wait_for_scans(yard, 20000);
    }
    intake_stop(yard->rig->intake);
    struct intake_status end = status(yard);
    assert_int_equal(end.losses_unknown, 0);
    assert_int_equal(end.reconnects, 0);
    assert_true(end.scans_lost > 3 * MOCK_SCANS);
    assert_int_equal(check_stored(yard), end.scans_lost);
}

/* Two lost packets cost a third: without a check the one before them is proved by none. */
static void lost_isochronous_packets_are_counted_to_the_scan(void **state) {
    struct yard *yard = *state;
    mock_usb_plug(yard->mock);
    rig_start(yard->rig);
    for (unsigned times = 1; times <= 5; times++) {
        wait_for_scans(yard, 20000);
        mock_usb_fail(yard->mock, MOCK_PROTOCOL_ERROR, 2);
        WAIT(status(yard).scans_lost >= times * 3 * MOCK_SCANS);
    }
    wait_for_scans(yard, 20000);
    mock_usb_unplug(yard->mock);
    WAIT(status(yard).state == INTAKE_WAITING);
    mock_usb_plug(yard->mock);
    WAIT(status(yard).state == INTAKE_STREAMING);
    intake_stop(yard->rig->intake);
    struct intake_status end = status(yard);
    assert_int_equal(end.scans_lost, 15 * MOCK_SCANS);
    assert_int_equal(end.losses_unknown, 1);
    assert_int_equal(check_stored(yard), end.scans_lost);
}

static void twenty_times_unplugged_is_twenty_losses(void **state) {
    struct yard *yard = *state;
    mock_usb_plug(yard->mock);
    rig_start(yard->rig);
    for (unsigned times = 0; times < 20; times++) {
        wait_for_scans(yard, 2000);
        mock_usb_unplug(yard->mock);
        WAIT(status(yard).state == INTAKE_WAITING);
        assert_int_equal(status(yard).losses_unknown, times + 1);
        mock_usb_plug(yard->mock);
        WAIT(status(yard).state == INTAKE_STREAMING);
    }
    wait_for_scans(yard, 2000);
    intake_stop(yard->rig->intake);
    struct intake_status end = status(yard);
    assert_int_equal(end.losses_unknown, 20);
    assert_int_equal(end.reconnects, 20);
    assert_int_equal(end.scans_lost, 0);
    assert_int_equal(check_stored(yard), 0);
    assert_true(told_of(yard, INTAKE_WAITING, "USB board 1209:0002 has gone"));
}

/* `reset = last-resort`: not the first time it is silent, and not while opening it anew helps. */
static void a_silent_board_is_opened_anew_and_then_reset(void **state) {
    struct yard *yard = *state;
    mock_usb_plug(yard->mock);
    rig_start(yard->rig);
    wait_for_scans(yard, 2000);
    mock_usb_hush(yard->mock, true);
    WAIT(told_of(yard, INTAKE_SILENT, "nothing has come for 0.5 s"));
    assert_int_equal(mock_usb_seen(yard->mock).resets, 0);
    WAIT(mock_usb_seen(yard->mock).resets == 1); /* the played board wakes up from it */
    WAIT(status(yard).state == INTAKE_STREAMING);
    wait_for_scans(yard, 2000);
    assert_int_equal(mock_usb_seen(yard->mock).resets, 1);
    assert_int_equal(status(yard).losses_unknown, 1);
}

/* Nothing but a new start shows where a packet begins: a hole of 512-byte transfers would do no
 * harm here, half a packet would. */
static void a_hole_without_header_is_a_new_start(void **state) {
    struct yard *yard = *state;
    mock_usb_plug(yard->mock);
    rig_start(yard->rig);
    wait_for_scans(yard, 5000);
    mock_usb_fail(yard->mock, MOCK_PROTOCOL_ERROR, 1);
    WAIT(told_of(yard, INTAKE_WAITING, "its packets have no header: starting it anew"));
    WAIT(status(yard).reconnects == 1);
    wait_for_scans(yard, 5000);
    intake_stop(yard->rig->intake);
    assert_int_equal(status(yard).losses_unknown, 1);
    assert_int_equal(status(yard).scans_lost, 0);
    assert_int_equal(check_stored(yard), 0);
    assert_true(mock_usb_seen(yard->mock).starts == 2);
}

static void errors_without_end_are_said(void **state) {
    struct yard *yard = *state;
    mock_usb_plug(yard->mock);
    rig_start(yard->rig);
    wait_for_scans(yard, 2000);
    mock_usb_fail(yard->mock, MOCK_PROTOCOL_ERROR, 1000);
    WAIT(told_of(yard, INTAKE_SILENT, "the transfers of USB board 1209:0002 keep failing"));
    mock_usb_fail(yard->mock, MOCK_PROTOCOL_ERROR, 0);
    WAIT(status(yard).state == INTAKE_STREAMING);
}

static void a_small_quota_is_said_once(void **state) {
    struct yard *yard = *state;
    mock_usb_quota(yard->mock, 40000);
    mock_usb_plug(yard->mock);
    rig_start(yard->rig);
    wait_for_scans(yard, 2000);
    assert_true(told_of(yard, INTAKE_OPENING, "usbfs_memory_mb"));
}

/* A hookup that means a port gets whatever is plugged in there: another board is told of, and
 * forgotten when the first one is back. */
static void another_board_at_the_port_is_noticed(void **state) {
    struct yard *yard = *state;
    struct mock_usb *other = mock_usb_new(yard->mocks, 4, "CT0002");
    mock_usb_plug(yard->mock);
    rig_start(yard->rig);
    wait_for_scans(yard, 2000);
    mock_usb_unplug(yard->mock);
    mock_usb_plug(other);
    WAIT(told_of(yard, INTAKE_OPENING, "serial number CT0002, it was CT0001"));
    wait_for_scans(yard, 2000);
    assert_non_null(strstr(status(yard).note, "another board is at this port now"));
    mock_usb_unplug(other);
    mock_usb_plug(yard->mock);
    WAIT(status(yard).reconnects == 2 && status(yard).state == INTAKE_STREAMING);
    assert_string_equal(status(yard).note, "");
}

static void two_alike_are_refused_until_one_is_meant(void **state) {
    struct yard *yard = *state;
    struct mock_usb *twin = mock_usb_new(yard->mocks, 4, "CT0002");
    mock_usb_plug(yard->mock);
    mock_usb_plug(twin);
    rig_start(yard->rig);
    WAIT(told_of(yard, INTAKE_WAITING, "more than one USB board 1209:0002"));
    mock_usb_unplug(twin);
    wait_for_scans(yard, 2000);
}

int main(void) {
#define TEST(name) cmocka_unit_test_setup_teardown(name, set_up, tear_down)
    const struct CMUnitTest tests[] = {
        TEST(a_board_that_is_not_there_is_waited_for),
        TEST(losses_are_counted_to_the_scan),
        TEST(twenty_times_unplugged_is_twenty_losses),
        TEST(a_silent_board_is_opened_anew_and_then_reset),
        cmocka_unit_test_setup_teardown(lost_isochronous_packets_are_counted_to_the_scan,
                                        set_up_isochronous, tear_down),
        cmocka_unit_test_setup_teardown(a_hole_without_header_is_a_new_start, set_up_without_header,
                                        tear_down),
        TEST(errors_without_end_are_said),
        TEST(a_small_quota_is_said_once),
        TEST(another_board_at_the_port_is_noticed),
        TEST(two_alike_are_refused_until_one_is_meant),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
