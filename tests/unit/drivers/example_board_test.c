// SPDX-License-Identifier: Apache-2.0
/*
 * example_board_test.c - the firmware's example board on this computer, its bytes read by the
 * driver packet-serial: every tick is a scan or a counted loss.
 */
#include "cmocka_helper.h"
#include "drivers.h"
#include "example_board.h"
#include "stream_helper.h"

#include <stdbool.h>
#include <stdlib.h>
#include <string.h>

/* ---- the chip ---- */

static struct chip {
    bool timer;
    int32_t ticks;
    size_t room; /* the port takes so many bytes at a time; 0: it is stuck */
    struct board_bytes request;
    size_t fetched;
    struct stream *reader;
} chip;

void example_hook_timer(int run) {
    chip.timer = run != 0;
}

void example_hook_convert(int32_t counts[EXAMPLE_INPUTS]) {
    for (int32_t i = 0; i < EXAMPLE_INPUTS; i++)
        counts[i] = (chip.ticks * EXAMPLE_INPUTS + i) % 4096;
}

size_t example_hook_send(const uint8_t *bytes, size_t count) {
    size_t part = count < chip.room ? count : chip.room;
    if (part)
        (void)stream_bytes(chip.reader, bytes, part);
    return part;
}

int example_hook_receive(void) {
    return chip.fetched < chip.request.count ? chip.request.byte[chip.fetched++] : -1;
}

static void step(unsigned times) {
    while (times--)
        example_board_step();
}

static void tick(unsigned times) {
    while (times--) {
        assert_true(chip.timer);
        example_board_tick();
        chip.ticks++;
        step(4);
    }
}

static void ask(int (*request)(struct board *board, struct board_bytes *request)) {
    assert_int_equal(request(chip.reader->board, &chip.request), 0);
    chip.fetched = 0;
    step(200);
}

/* ---- what the reader was told ---- */

/* Each scan has its tick's counts, and each loss is passed over; the ticks told of. */
static int32_t check_told(void) {
    int32_t at = 0;
    const char *text = chip.reader->told;
    while (*text) {
        if (strncmp(text, "lost ", 5) == 0)
            at += (int32_t)strtol(text + 5, NULL, 10);
        else if (strncmp(text, "described;", 10) != 0)
            assert_int_equal(strtol(text, NULL, 10), at++ * EXAMPLE_INPUTS % 4096);
        text = strchr(text, ';') + 1;
    }
    return at;
}

static void every_tick_is_a_scan_or_a_counted_loss(void **state) {
    (void)state;
    const struct board_driver *driver = drivers_find("packet-serial");
    const struct wire_board board = {.boot_id = 7,
                                     .rate_millihz = 2000000,
                                     .inputs = EXAMPLE_INPUTS,
                                     .bits = 12,
                                     .skew_ns = 10000,
                                     .span_microvolts = 3300000,
                                     .name = "example"};
    chip = (struct chip){.room = 11, .reader = stream_open(driver, NULL)};
    assert_int_equal(example_board_begin(&board), 0);
    step(10);
    assert_false(chip.timer);
    ask(driver->start);
    assert_true(chip.timer);
    assert_int_equal(chip.reader->described, 1);
    assert_string_equal(chip.reader->description.identity, "example");

    tick(1000);
    chip.room = 0; /* the computer does not read */
    tick(300);
    chip.room = 1000;
    tick(1000);
    ask(driver->stop);
    assert_false(chip.timer);
    assert_int_equal(chip.reader->unknown, 0);
    /* Two buffers and what the packet underway made room for were kept of the 300; the rest is
     * lost, and the tick that comes before the first buffer is packed again. */
    assert_in_range(chip.reader->lost, 300 - 3 * EXAMPLE_SCANS, 300 - 2 * EXAMPLE_SCANS + 1);
    assert_int_equal(chip.reader->scans + chip.reader->lost, 2300);
    assert_int_equal(check_told(), 2300);
    assert_true(chip.reader->alive + chip.reader->described > 1); /* told again by itself */
    stream_close(chip.reader);
}

static void a_board_that_cannot_be_is_refused(void **state) {
    (void)state;
    struct wire_board board = {.inputs = EXAMPLE_INPUTS + 1, .bits = 12};
    assert_int_equal(example_board_begin(&board), -1);
    board.inputs = EXAMPLE_INPUTS;
    board.bits = 25;
    assert_int_equal(example_board_begin(&board), -1);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_board_that_cannot_be_is_refused),
        cmocka_unit_test(every_tick_is_a_scan_or_a_counted_loss),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
