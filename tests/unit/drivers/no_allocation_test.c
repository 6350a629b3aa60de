// SPDX-License-Identifier: Apache-2.0
/*
 * no_allocation_test.c - consume() of the stream drivers allocates nothing.
 */
#include "allocations.h"
#include "cmocka_helper.h"
#include "drivers.h"
#include "wire_encoder.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static size_t scans_given;

static void on_samples(void *context, const int32_t *counts, size_t scans) {
    (void)context;
    (void)counts;
    scans_given += scans;
}
static void on_loss(void *context, enum board_loss reason, uint64_t scans) {
    (void)context;
    (void)reason;
    (void)scans;
}
static void on_note(void *context, enum board_note note, int64_t value) {
    (void)context;
    (void)note;
    (void)value;
}

static struct board *open_board(const struct board_driver *driver) {
    struct board_setting rate = {"rate", "100"};
    struct board_settings settings = {.count = 1, .setting = &rate};
    struct board_sinks sinks = {NULL, on_samples, on_loss, on_note};
    struct board *board = NULL;
    struct board_bytes request;
    assert_int_equal(driver->open(&settings, &sinks, &board, NULL, 0), 0);
    assert_int_equal(driver->start(board, &request), 0);
    scans_given = 0;
    return board;
}

/* Consumes the bytes a hundred times over, then once more with every 97th bit flipped. */
static void assert_allocates_nothing(const struct board_driver *driver, struct board *board,
                                     uint8_t *bytes, size_t count) {
    size_t before = allocations_count();
    for (int i = 0; i < 100; i++)
        driver->consume(board, bytes, count);
    for (size_t bit = 0; bit < 8 * count; bit += 97)
        bytes[bit / 8] ^= (uint8_t)(1u << bit % 8);
    driver->consume(board, bytes, count);
    size_t after = allocations_count();
    assert_true(after == before);
    assert_true(scans_given > 0);
    driver->close(board);
}

static void the_count_counts(void **state) {
    (void)state;
    size_t before = allocations_count();
    void *volatile memory = malloc(10);
    free(memory);
    assert_true(allocations_count() > before);
}

static void packets_allocate_nothing(void **state) {
    (void)state;
    const struct board_driver *driver = drivers_find("packet-serial");
    struct board *board = open_board(driver);
    static uint8_t bytes[100 * WIRE_PACKET_MAX];
    const struct wire_board wire = {.boot_id = 1, .inputs = 4, .bits = 12};
    struct wire_encoder encoder;
    assert_int_equal(wire_encoder_begin(&encoder, &wire, 10), 0);
    size_t count = wire_encoder_describe(&encoder, bytes);
    for (int32_t scan = 0; scan < 900; scan++)
        count += wire_encoder_scan(&encoder, (int32_t[4]){scan, scan, 0, 1}, bytes + count);
    assert_allocates_nothing(driver, board, bytes, count);
}

static void lines_allocate_nothing(void **state) {
    (void)state;
    const struct board_driver *driver = drivers_find("text-serial");
    struct board *board = open_board(driver);
    static uint8_t bytes[20000];
    size_t count = 0;
    for (int scan = 0; scan < 900; scan++)
        count += (size_t)snprintf((char *)bytes + count, sizeof bytes - count, "%d,%d,7\r\n", scan,
                                  1000 - scan);
    assert_allocates_nothing(driver, board, bytes, count);
}

int main(void) {
    allocations_watch();
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_count_counts),
        cmocka_unit_test(packets_allocate_nothing),
        cmocka_unit_test(lines_allocate_nothing),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
