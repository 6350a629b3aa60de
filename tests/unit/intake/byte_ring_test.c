// SPDX-License-Identifier: Apache-2.0
/*
 * byte_ring_test.c - what goes in comes out, whole, in order, also between two threads.
 */
#include "byte_ring.h"
#include "cmocka_helper.h"

#include <errno.h>
#include <pthread.h>
#include <sched.h>
#include <stdbool.h>
#include <string.h>

#define PATIENCE_MS 10000

static void writes_come_out_whole(void **state) {
    (void)state;
    struct byte_ring *ring;
    uint8_t bytes[8];
    int64_t arrival = -1;
    assert_int_equal(byte_ring_new(100, &ring), 0);
    assert_int_equal(byte_ring_read(ring, bytes, sizeof bytes, &arrival, 0), 0);
    assert_int_equal(byte_ring_write(ring, (const uint8_t *)"abc", 3, 10), 0);
    assert_int_equal(byte_ring_write(ring, (const uint8_t *)"defg", 4, 20), 0);
    assert_int_equal(byte_ring_write(ring, (const uint8_t *)"hi", 2, 30), 0);

    /* Two fit, the third would be cut. The arrival is that of the last byte given. */
    assert_int_equal(byte_ring_read(ring, bytes, sizeof bytes, &arrival, 0), 7);
    assert_memory_equal(bytes, "abcdefg", 7);
    assert_true(arrival == 20);
    assert_int_equal(byte_ring_read(ring, bytes, sizeof bytes, &arrival, PATIENCE_MS), 2);
    assert_memory_equal(bytes, "hi", 2);
    assert_true(arrival == 30);
    assert_int_equal(byte_ring_fill(ring), 0);
    byte_ring_free(ring);
    byte_ring_free(NULL);
}

static void full_is_all_or_nothing(void **state) {
    (void)state;
    struct byte_ring *ring;
    static uint8_t much[5000], back[5000];
    int64_t arrival;
    assert_int_equal(byte_ring_new(4096, &ring), 0);
    assert_int_equal(byte_ring_write(ring, much, 4097, 1), -ENOSPC);
    memset(much, 0x5a, sizeof much);
    assert_int_equal(byte_ring_write(ring, much, 3000, 1), 0);
    size_t fill = byte_ring_fill(ring);
    assert_int_equal(byte_ring_write(ring, much, 1500, 2), -ENOSPC);
    assert_int_equal(byte_ring_fill(ring), fill);
    assert_int_equal(byte_ring_fullest(ring), fill);

    assert_int_equal(byte_ring_read(ring, back, sizeof back, &arrival, 0), 3000);
    assert_int_equal(byte_ring_write(ring, much, 1500, 3), 0); /* now across the end */
    assert_int_equal(byte_ring_read(ring, back, sizeof back, &arrival, 0), 1500);
    assert_memory_equal(much, back, 1500);
    assert_int_equal(byte_ring_fullest(ring), fill);
    byte_ring_free(ring);
}

static void *wake(void *ring) {
    byte_ring_wake(ring);
    return NULL;
}

static void waking_ends_a_wait(void **state) {
    (void)state;
    struct byte_ring *ring;
    pthread_t thread;
    uint8_t bytes[8];
    int64_t arrival;
    assert_int_equal(byte_ring_new(4096, &ring), 0);
    assert_int_equal(pthread_create(&thread, NULL, wake, ring), 0);
    assert_int_equal(byte_ring_read(ring, bytes, sizeof bytes, &arrival, -1), 0);
    pthread_join(thread, NULL);
    byte_ring_free(ring);
}

#define TOTAL 3000000u /* bytes through a ring of 4096 */

static uint8_t byte_at(uint32_t position) {
    return (uint8_t)((position * 2654435761u) >> 24);
}

/* Writes of 1..700 bytes whose arrival time is the position of their end. */
static void *write_all(void *context) {
    struct byte_ring *ring = context;
    uint8_t bytes[700];
    for (uint32_t position = 0; position < TOTAL;) {
        uint32_t count = 1 + (position * 7919u) % 700;
        if (count > TOTAL - position)
            count = TOTAL - position;
        for (uint32_t i = 0; i < count; i++)
            bytes[i] = byte_at(position + i);
        while (byte_ring_write(ring, bytes, count, position + count) == -ENOSPC)
            sched_yield();
        position += count;
    }
    return NULL;
}

static void two_threads(void **state) {
    (void)state;
    struct byte_ring *ring;
    pthread_t writer;
    uint8_t bytes[1500];
    assert_int_equal(byte_ring_new(4096, &ring), 0);
    assert_int_equal(pthread_create(&writer, NULL, write_all, ring), 0);
    for (uint32_t position = 0; position < TOTAL;) {
        int64_t arrival = -1;
        size_t count = byte_ring_read(ring, bytes, sizeof bytes, &arrival, PATIENCE_MS);
        assert_true(byte_ring_fill(ring) <= 4096);
        for (size_t i = 0; i < count; i++)
            if (bytes[i] != byte_at(position + (uint32_t)i))
                fail_msg("byte %u is wrong", position + (uint32_t)i);
        position += (uint32_t)count;
        if (count > 0)
            assert_true(arrival == position);
    }
    pthread_join(writer, NULL);
    assert_int_equal(byte_ring_fill(ring), 0);
    byte_ring_free(ring);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(writes_come_out_whole),
        cmocka_unit_test(full_is_all_or_nothing),
        cmocka_unit_test(waking_ends_a_wait),
        cmocka_unit_test(two_threads),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
