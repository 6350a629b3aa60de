// SPDX-License-Identifier: Apache-2.0
/*
 * usb_tmc_intake_test.c - the whole intake on a played burst board: its pauses are told, stored and
 * no losses; it is pulled out and comes back.
 */
#include "board_files.h"
#include "cmocka_helper.h"
#include "intake_helper.h"
#include "mock_tmc.h"

#include <stdlib.h>
#include <string.h>

struct yard {
    struct mock_tmc *mock;
    struct board_file_read *file;
    struct rig *rig;
};

static int set_up(void **state) {
    static const struct board_id ids[] = {{.vendor = MOCK_TMC_VENDOR, .product = MOCK_TMC_PRODUCT},
                                          {0}};
    struct yard *yard = calloc(1, sizeof *yard);
    struct problems problems = {0};
    char path[BOARD_PATH_MAX];
    assert_non_null(yard);
    assert_int_equal(board_files_load(CRANKTRAP_SOURCE "/drivers/boards/tmc-burst-4x16.board",
                                      &yard->file, &problems, path),
                     0);
    yard->file->file.ids = ids;
    yard->mock = mock_tmc_new();
    mock_tmc_plug(yard->mock);
    yard->rig = rig_new();
    rig_add(yard->rig, "logger", yard->file->file.driver, NULL);
    yard->rig->boards[0].settings = (struct board_settings){
        yard->file->setting_count, yard->file->setting, &yard->file->file, NULL};
    *state = yard;
    return 0;
}

static int tear_down(void **state) {
    struct yard *yard = *state;
    rig_free(yard->rig);
    mock_tmc_free(yard->mock);
    board_files_free(yard->file);
    free(yard);
    return 0;
}

/* Scans that the stored chunks tell to be missing, of that reason or (NULL) all. */
static uint64_t stored_missing(const struct stored *stored, const char *wanted) {
    uint64_t sum = 0;
    for (size_t i = 0; i < stored->count; i++) {
        uint64_t scans;
        const char *reason;
        size_t length;
        if (stored->chunk[i].type != CHUNK_LOSS)
            continue;
        assert_int_equal(chunk_parse_loss(&stored->chunk[i], &scans, &reason, &length), 0);
        if (!wanted || (length == strlen(wanted) && memcmp(reason, wanted, length) == 0))
            sum += scans;
    }
    return sum;
}

static void pauses_are_no_losses(void **state) {
    struct yard *yard = *state;
    rig_start(yard->rig);
    WAIT_UNTIL(NULL, 0, rig_status(yard->rig, 0).pauses >= 5);
    intake_stop(yard->rig->intake);
    struct intake_status status = rig_status(yard->rig, 0);
    assert_int_equal(status.scans_lost + status.losses_unknown, 0);
    assert_int_equal(rig_told(yard->rig, 0).lost, 0);
    assert_true(rig_told(yard->rig, 0).runs_after_loss >= 5); /* nothing is bridged over them */
    struct stored *stored = stored_take(yard->rig);
    assert_int_equal(stored_scans(stored, 0), status.scans);
    assert_int_equal(stored_missing(stored, "dead time"), status.scans_in_pauses);
    assert_int_equal(stored_missing(stored, NULL), status.scans_in_pauses);
    stored_free(stored);
}

static void lost_blocks_are_losses(void **state) {
    struct yard *yard = *state;
    rig_start(yard->rig);
    WAIT_UNTIL(NULL, 0, rig_status(yard->rig, 0).pauses >= 1);
    mock_tmc_fail(yard->mock, MOCK_TMC_HALF, 2);
    WAIT_UNTIL(NULL, 0, rig_status(yard->rig, 0).losses[BOARD_LOSS_DAMAGED] >= 1000);
    assert_int_equal(rig_status(yard->rig, 0).scans_lost, 1000);
}

static void pulled_out_and_back(void **state) {
    struct yard *yard = *state;
    rig_start(yard->rig);
    WAIT_UNTIL(NULL, 0, rig_status(yard->rig, 0).pauses >= 1);
    mock_tmc_unplug(yard->mock);
    WAIT_UNTIL(NULL, 0, rig_events(yard->rig, 0, INTAKE_WAITING) == 1);
    assert_non_null(strstr(rig_status(yard->rig, 0).why, "USB board 1209:0004 has gone"));
    mock_tmc_plug(yard->mock);
    WAIT_UNTIL(NULL, 0, rig_events(yard->rig, 0, INTAKE_STREAMING) == 2);
    assert_int_equal(rig_status(yard->rig, 0).reconnects, 1);
    assert_int_equal(rig_status(yard->rig, 0).losses_unknown, 1);
    assert_int_equal(rig_events(yard->rig, 0, INTAKE_WAITING), 1);
}

#define TEST(function) cmocka_unit_test_setup_teardown(function, set_up, tear_down)

int main(void) {
    const struct CMUnitTest tests[] = {
        TEST(pauses_are_no_losses),
        TEST(lost_blocks_are_losses),
        TEST(pulled_out_and_back),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
