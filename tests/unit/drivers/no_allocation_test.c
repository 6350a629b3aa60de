// SPDX-License-Identifier: Apache-2.0
/*
 * no_allocation_test.c - consume() of the stream drivers allocates nothing: this program counts
 * every call of the allocator, by the sanitizer's hook or by standing in front of the C library.
 */
// clang-format off
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>
// clang-format on

#include "drivers.h"
#include "wire_encoder.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static volatile size_t allocations;

#if defined(__has_feature)
#if __has_feature(address_sanitizer) || __has_feature(thread_sanitizer)
#define SANITIZED 1
#endif
#endif
#if defined(__SANITIZE_ADDRESS__) || defined(__SANITIZE_THREAD__)
#define SANITIZED 1
#endif

#ifdef SANITIZED
int __sanitizer_install_malloc_and_free_hooks(void (*on_malloc)(const volatile void *, size_t),
                                              void (*on_free)(const volatile void *));
static void on_malloc(const volatile void *memory, size_t size) {
    (void)memory;
    (void)size;
    allocations++;
}
static void on_free(const volatile void *memory) {
    (void)memory;
}
static void count_allocations(void) {
    __sanitizer_install_malloc_and_free_hooks(on_malloc, on_free);
}
#else
/* The C library's own allocator, under its second names. */
void *__libc_malloc(size_t size);
void *__libc_calloc(size_t count, size_t size);
void *__libc_realloc(void *memory, size_t size);
void *malloc(size_t size) {
    allocations++;
    return __libc_malloc(size);
}
void *calloc(size_t count, size_t size) {
    allocations++;
    return __libc_calloc(count, size);
}
void *realloc(void *memory, size_t size) {
    allocations++;
    return __libc_realloc(memory, size);
}
static void count_allocations(void) {}
#endif

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
    size_t before = allocations;
    for (int i = 0; i < 100; i++)
        driver->consume(board, bytes, count);
    for (size_t bit = 0; bit < 8 * count; bit += 97)
        bytes[bit / 8] ^= (uint8_t)(1u << bit % 8);
    driver->consume(board, bytes, count);
    size_t after = allocations;
    assert_true(after == before);
    assert_true(scans_given > 0);
    driver->close(board);
}

static void the_count_counts(void **state) {
    (void)state;
    size_t before = allocations;
    void *volatile memory = malloc(10);
    free(memory);
    assert_true(allocations > before);
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
    count_allocations();
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_count_counts),
        cmocka_unit_test(packets_allocate_nothing),
        cmocka_unit_test(lines_allocate_nothing),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
