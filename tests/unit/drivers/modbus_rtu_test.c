// SPDX-License-Identifier: Apache-2.0
/*
 * modbus_rtu_test.c - the driver on a pseudo-terminal, against a slave that shares no code with it
 * (tests/boards/asked_board.py). Question n is answered with 8 n + r in register r: so every scan
 * shows how many questions were spoiled before it.
 */
#include "asked_board.h"
#include "cmocka_helper.h"
#include "drivers.h"
#include "modbus_registers.h"
#include "poll_pace.h"

#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <time.h>
#include <unistd.h>

#define INPUTS   8
#define PATIENCE 3000 /* fetches */

struct rig {
    char folder[64], link[96];
    struct asked_board slave;
    const struct board_driver *driver;
    struct board *board;
    int64_t last; /* question that the last scan answers; -1: none came since start() */
    size_t scans;
    uint64_t lost[BOARD_LOSSES], lost_before_scan;
    bool wrong;
};

static void on_samples(void *context, const int32_t *counts, size_t scans) {
    struct rig *rig = context;
    for (size_t i = 0; i < INPUTS; i++)
        rig->wrong |= counts[i] != counts[0] + (int32_t)i;
    rig->wrong |= scans != 1 || counts[0] % 8 != 0;
    int64_t question = counts[0] / 8;
    /* Every question in between was told as a loss; those passed over were asked by nobody. */
    if (rig->last >= 0)
        rig->wrong |=
            question <= rig->last || (uint64_t)(question - rig->last - 1) > rig->lost_before_scan;
    rig->last = question;
    rig->lost_before_scan = 0;
    rig->scans++;
}

static void on_loss(void *context, enum board_loss reason, uint64_t scans) {
    struct rig *rig = context;
    rig->wrong |= rig->last < 0 || scans == 0;
    rig->lost[reason] += scans;
    rig->lost_before_scan += scans;
}

static void on_note(void *context, enum board_note note, int64_t value) {
    struct rig *rig = context;
    (void)note, (void)value;
    rig->wrong = true;
}

static int open_with(struct rig *rig, const struct board_setting *setting, size_t count,
                     const char *device, char *why, size_t size) {
    const struct board_sinks sinks = {rig, on_samples, on_loss, on_note};
    const struct board_settings settings = {.count = count, .setting = setting, .device = device};
    return rig->driver->open(&settings, &sinks, &rig->board, why, size);
}

static int begin(struct rig *rig) {
    struct board_bytes request;
    rig->last = -1;
    rig->lost_before_scan = 0;
    return rig->driver->start(rig->board, &request);
}

static int set_up(void **state) {
    static const struct board_setting setting[] = {
        {"rate", "50"}, {"baud", "115200"}, {"parity", "none"}, {"answer", "0.09"}};
    struct rig *rig = calloc(1, sizeof *rig);
    assert_non_null(rig);
    strcpy(rig->folder, "/tmp/modbus-XXXXXX");
    assert_non_null(mkdtemp(rig->folder));
    snprintf(rig->link, sizeof rig->link, "%s/port", rig->folder);
    asked_board_start(&rig->slave, rig->link, NULL);
    rig->driver = drivers_find("modbus-rtu");
    assert_int_equal(open_with(rig, setting, 4, rig->link, NULL, 0), 0);
    *state = rig;
    return 0;
}

static int tear_down(void **state) {
    struct rig *rig = *state;
    rig->driver->close(rig->board);
    asked_board_end(&rig->slave);
    unlink(rig->link);
    rmdir(rig->folder);
    free(rig);
    return 0;
}

/* Fetches until so many scans more have come. */
static void fetch_scans(struct rig *rig, size_t more) {
    size_t wanted = rig->scans + more;
    for (int i = 0; rig->scans < wanted; i++) {
        assert_true(i < PATIENCE);
        assert_true(rig->driver->fetch(rig->board, 100) >= 0);
    }
    assert_false(rig->wrong);
}

static void scans_come_in_order(void **state) {
    struct rig *rig = *state;
    assert_int_equal(begin(rig), 0);
    fetch_scans(rig, 50);
    assert_string_equal(rig->driver->explain(rig->board), "");
    assert_int_equal(rig->lost[BOARD_LOSS_DAMAGED] + rig->lost[BOARD_LOSS_REFUSED], 0);
}

/* `count` spoiled answers: as many scans lost, for that reason, in their place; then it goes on. */
static void spoil(struct rig *rig, const char *kind, enum board_loss reason, const char *says) {
    char order[64];
    const unsigned count = 3;
    assert_int_equal(begin(rig), 0);
    fetch_scans(rig, 5);
    uint64_t before = rig->lost[reason];
    snprintf(order, sizeof order, "fail %s %u", kind, count);
    asked_board_tell(&rig->slave, order);
    bool said = false;
    for (int i = 0; i < PATIENCE && rig->lost[reason] == before; i++) {
        assert_true(rig->driver->fetch(rig->board, 100) >= 0);
        said |= strstr(rig->driver->explain(rig->board), says) != NULL;
    }
    fetch_scans(rig, 20);
    assert_true(said);
    assert_true(rig->lost[reason] - before >= count);
    assert_string_equal(rig->driver->explain(rig->board), "");
}

static void silence_is_a_loss(void **state) {
    spoil(*state, "silent", BOARD_LOSS_NO_ANSWER, "does not answer");
}
static void half_an_answer_is_no_answer(void **state) {
    spoil(*state, "short", BOARD_LOSS_NO_ANSWER, "does not answer");
}
static void wrong_check_is_a_loss(void **state) {
    spoil(*state, "bad-crc", BOARD_LOSS_DAMAGED, "damaged");
}
static void flipped_bit_is_a_loss(void **state) {
    spoil(*state, "flipped", BOARD_LOSS_DAMAGED, "damaged");
}
static void exception_is_a_loss_with_its_number(void **state) {
    spoil(*state, "exception", BOARD_LOSS_REFUSED, "exception 2 (Illegal data address)");
}
static void answer_of_another_slave_is_a_loss(void **state) {
    spoil(*state, "wrong-slave", BOARD_LOSS_DAMAGED, "damaged");
}

/* What came too much is thrown away before the next question. */
static void doubled_answers_cost_nothing(void **state) {
    struct rig *rig = *state;
    assert_int_equal(begin(rig), 0);
    asked_board_tell(&rig->slave, "fail doubled 5");
    fetch_scans(rig, 20);
    assert_int_equal(rig->lost[BOARD_LOSS_DAMAGED], 0);
}

static void answers_in_pieces(void **state) {
    struct rig *rig = *state;
    asked_board_tell(&rig->slave, "pieces on");
    assert_int_equal(begin(rig), 0);
    fetch_scans(rig, 20);
}

static void vanishes_and_returns(void **state) {
    struct rig *rig = *state;
    for (int cycle = 0; cycle < 5; cycle++) {
        assert_int_equal(begin(rig), 0);
        fetch_scans(rig, 10);
        asked_board_tell(&rig->slave, "vanish");
        int result = 0;
        for (int i = 0; i < PATIENCE && result >= 0; i++)
            result = rig->driver->fetch(rig->board, 100);
        assert_int_equal(result, -ENODEV);
        assert_int_equal(begin(rig), -ENOENT);
        assert_int_equal(rig->driver->fetch(rig->board, 100), -ENODEV);
        asked_board_tell(&rig->slave, "return");
    }
}

/* However little time there is, fetch() waits no longer: it asks next time. The clock is looked at
 * only to see that it does not wait for the poll after (here 100 s away). */
static void deadline_is_kept(void **state) {
    struct rig *rig = *state;
    static const struct board_setting slow[] = {{"rate", "0.01"}, {"baud", "115200"}};
    struct timespec from, to;
    rig->driver->close(rig->board);
    assert_int_equal(open_with(rig, slow, 2, rig->link, NULL, 0), 0);
    assert_int_equal(begin(rig), 0);
    asked_board_tell(&rig->slave, "fail silent 1");
    assert_int_equal(rig->driver->fetch(rig->board, 100), 0);
    clock_gettime(CLOCK_MONOTONIC, &from);
    for (int i = 0; i < 10; i++)
        assert_int_equal(rig->driver->fetch(rig->board, 20), 0);
    clock_gettime(CLOCK_MONOTONIC, &to);
    assert_true(to.tv_sec - from.tv_sec < 50);
}

static void port_in_use_is_left_alone(void **state) {
    struct rig *rig = *state;
    int other = open(rig->link, O_RDWR | O_NOCTTY);
    assert_int_equal(flock(other, LOCK_EX), 0);
    assert_int_equal(begin(rig), -EBUSY);
    close(other);
    assert_int_equal(begin(rig), 0);
    fetch_scans(rig, 3);
    other = open(rig->link, O_RDWR | O_NOCTTY);
    if (other >= 0) /* as root; others find it exclusive */
        assert_true(flock(other, LOCK_EX | LOCK_NB) < 0 && errno == EWOULDBLOCK);
    close(other);
}

static void stops_in_any_state(void **state) {
    struct rig *rig = *state;
    struct board_bytes request;
    assert_int_equal(rig->driver->stop(rig->board, &request), 0);
    assert_int_equal(begin(rig), 0);
    fetch_scans(rig, 3);
    assert_int_equal(rig->driver->stop(rig->board, &request), 0);
    assert_int_equal(rig->driver->stop(rig->board, &request), 0);
    assert_int_equal(rig->driver->fetch(rig->board, 10), -ENODEV);
    assert_int_equal(begin(rig), 0);
    fetch_scans(rig, 3);
    rig->driver->close(NULL);
}

static void assert_refused(struct rig *rig, const struct board_setting *setting, size_t count,
                           const char *says) {
    char why[256] = "";
    rig->driver->close(rig->board);
    rig->board = NULL;
    assert_int_equal(open_with(rig, setting, count, rig->link, why, sizeof why), -EINVAL);
    if (!strstr(why, says))
        fail_msg("\"%s\" does not say \"%s\"", why, says);
}

/* 8 registers and what frames them are 36 characters of 11 bits: 41.25 ms at 9600 baud. */
static void what_cannot_be_is_refused(void **state) {
    struct rig *rig = *state;
    assert_refused(rig, (struct board_setting[]){{"rate", "50"}, {"baud", "9600"}}, 2,
                   "take 0.0413 s: at most 24.2 scans a second");
    assert_refused(
        rig, (struct board_setting[]){{"rate", "1"}, {"inputs", "64"}, {"format", "float-32"}}, 3,
        "128 registers, and one answer carries 125");
    assert_refused(rig, (struct board_setting[]){{"rate", "1"}, {"first-register", "65530"}}, 2,
                   "beyond 65535");
    assert_refused(rig, (struct board_setting[]){{"rate", "1"}, {"lowest", "70000"}}, 2,
                   "below highest, which is 65535");
}

/* ---- registers ---- */

static void check_value(enum modbus_format format, uint16_t first, uint16_t second, int32_t count) {
    const struct modbus_registers how = {format, 3, modbus_format_lowest(format),
                                         modbus_format_highest(format)};
    const uint16_t registers[] = {first, second};
    int32_t counts[1];
    assert_true(modbus_registers_counts(&how, registers, 1, counts));
    assert_int_equal(counts[0], count);
}

/* 12.5 is 41480000h by IEEE 754 (exponent 82h, fraction 480000h); -1 is BF800000h. */
static void formats_of_registers(void **state) {
    (void)state;
    check_value(MODBUS_UNSIGNED_16, 0xFFFE, 0, 65534);
    check_value(MODBUS_SIGNED_16, 0xFFFE, 0, -2);
    check_value(MODBUS_SIGNED_32, 0xFFFF, 0xFFFE, -2);
    check_value(MODBUS_SIGNED_32, 0x0001, 0x0002, 65538);
    check_value(MODBUS_SIGNED_32_SWAPPED, 0x0002, 0x0001, 65538);
    check_value(MODBUS_FLOAT_32, 0x4148, 0x0000, 12500);
    check_value(MODBUS_FLOAT_32_SWAPPED, 0x0000, 0xBF80, -1000);
    check_value(MODBUS_FLOAT_32, 0x7F80, 0x0000, INT32_MAX); /* infinity */
    const struct modbus_registers how = {MODBUS_FLOAT_32, 3, INT32_MIN, INT32_MAX};
    int32_t counts[1] = {7};
    assert_false(modbus_registers_counts(&how, (uint16_t[]){0x7FC0, 0}, 1, counts));
    const struct modbus_registers narrow = {MODBUS_UNSIGNED_16, 0, 0, 10000};
    assert_true(modbus_registers_counts(&narrow, (uint16_t[]){10250}, 1, counts));
    assert_int_equal(counts[0], 10000);
}

/* ---- the pace, on a clock of the test's own ---- */

static void count_loss(void *context, enum board_loss reason, uint64_t scans) {
    uint64_t *lost = context;
    lost[reason] += scans;
}
static void count_scans(void *context, const int32_t *counts, size_t scans) {
    uint64_t *lost = context;
    (void)counts;
    lost[BOARD_LOSSES] += scans;
}

static void pace_keeps_its_places(void **state) {
    (void)state;
    uint64_t told[BOARD_LOSSES + 1] = {0};
    const struct board_sinks sinks = {told, count_scans, count_loss, NULL};
    struct poll_pace pace;
    int32_t counts[1] = {0};
    const int64_t ms = 1000000;
    poll_pace_begin(&pace, 100, 5 * ms);
    poll_pace_missed(&pace, BOARD_LOSS_NO_ANSWER, 9 * ms); /* before the first: not missed */
    assert_true(poll_pace_due_ns(&pace) == 15 * ms);
    poll_pace_scan(&pace, &sinks, counts, 17 * ms);
    assert_int_equal(told[BOARD_LOSSES], 1);
    poll_pace_missed(&pace, BOARD_LOSS_DAMAGED, 27 * ms); /* poll 2, due at 25 */
    assert_true(poll_pace_due_ns(&pace) == 35 * ms);
    poll_pace_missed(&pace, BOARD_LOSS_NO_ANSWER, 78 * ms); /* 3 to 6; 7, due at 75, can still be */
    assert_true(poll_pace_due_ns(&pace) == 75 * ms);
    assert_int_equal(told[BOARD_LOSS_DAMAGED] + told[BOARD_LOSS_NO_ANSWER], 0);
    poll_pace_scan(&pace, &sinks, counts, 79 * ms);
    assert_int_equal(told[BOARD_LOSS_DAMAGED], 1);
    assert_int_equal(told[BOARD_LOSS_NO_ANSWER], 4);
    poll_pace_scan(&pace, &sinks, counts, 111 * ms); /* 8 came late: 9 is passed over, 10 is due */
    assert_true(poll_pace_due_ns(&pace) == 105 * ms);
    poll_pace_scan(&pace, &sinks, counts, 112 * ms);
    assert_int_equal(told[BOARD_LOSS_LATE], 1);
    assert_int_equal(told[BOARD_LOSSES], 4);
}

#define ON_A_SLAVE(function) cmocka_unit_test_setup_teardown(function, set_up, tear_down)

int main(void) {
    const struct CMUnitTest tests[] = {
        ON_A_SLAVE(scans_come_in_order),
        ON_A_SLAVE(silence_is_a_loss),
        ON_A_SLAVE(half_an_answer_is_no_answer),
        ON_A_SLAVE(wrong_check_is_a_loss),
        ON_A_SLAVE(flipped_bit_is_a_loss),
        ON_A_SLAVE(exception_is_a_loss_with_its_number),
        ON_A_SLAVE(answer_of_another_slave_is_a_loss),
        ON_A_SLAVE(doubled_answers_cost_nothing),
        ON_A_SLAVE(answers_in_pieces),
        ON_A_SLAVE(vanishes_and_returns),
        ON_A_SLAVE(deadline_is_kept),
        ON_A_SLAVE(port_in_use_is_left_alone),
        ON_A_SLAVE(stops_in_any_state),
        ON_A_SLAVE(what_cannot_be_is_refused),
        cmocka_unit_test(formats_of_registers),
        cmocka_unit_test(pace_keeps_its_places),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
