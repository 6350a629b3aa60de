// SPDX-License-Identifier: Apache-2.0
/*
 * memory_ring_test.c - the bound holds, nothing is lost uncounted, nothing out of its place.
 */
#include "recording_helper.h"

#include "memory_ring.h"

#include <pthread.h>
#include <stdatomic.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static void put(struct memory_ring *ring, struct chunk chunk) {
    memory_ring_put(ring, &chunk);
    assert_null(chunk.bytes); /* taken over */
    assert_int_equal(chunk.length, 0);
}

static uint64_t lost_scans(const struct chunk *chunk) {
    uint64_t scans;
    const char *reason;
    size_t length;
    assert_int_equal(chunk_parse_loss(chunk, &scans, &reason, &length), 0);
    assert_int_equal(length, strlen("disk too slow"));
    assert_memory_equal(reason, "disk too slow", length);
    return scans;
}

static void comes_out_as_it_went_in(void **state) {
    (void)state;
    struct memory_ring *ring = NULL;
    assert_int_equal(memory_ring_new(1 << 20, &ring), 0);
    for (uint32_t i = 0; i < 20; i++)
        put(ring, recording_block(0, 3, i * 50, 50));
    for (uint32_t i = 0; i < 20; i++) {
        struct chunk expected = recording_block(0, 3, i * 50, 50);
        struct chunk chunk = {0};
        assert_int_equal(memory_ring_state(ring).taken_through, i);
        assert_true(memory_ring_take(ring, &chunk, 0));
        assert_int_equal(chunk.type, CHUNK_BLOCK);
        assert_int_equal(chunk.length, expected.length);
        assert_memory_equal(chunk.bytes, expected.bytes, chunk.length);
        chunk_done(&chunk);
        chunk_done(&expected);
    }
    struct memory_ring_state after = memory_ring_state(ring);
    assert_int_equal(after.bytes, 0);
    assert_int_equal(after.blocks_put, 20);
    assert_int_equal(after.blocks_taken, 20);
    assert_int_equal(after.blocks_lost, 0);
    assert_int_equal(after.taken_through, 20);
    struct chunk none = {0};
    assert_false(memory_ring_take(ring, &none, 1));
    memory_ring_free(ring);
}

static void oldest_blocks_become_losses_in_their_place(void **state) {
    (void)state;
    /* Room for about four blocks of stream 0. */
    struct chunk probe = recording_block(0, 1, 0, 100);
    uint64_t bound = 4 * (probe.length + 200);
    chunk_done(&probe);
    struct memory_ring *ring = NULL;
    assert_int_equal(memory_ring_new(bound, &ring), 0);

    put(ring, recording_clock(0, 1, 0, 5, 5, 1000, 1));
    put(ring, recording_mark("{\"trigger\":\"manual\"}", 7));
    for (uint32_t i = 0; i < 12; i++) {
        put(ring, recording_block(0, 1, i * 100, 100));
        if (i % 4 == 0)
            put(ring, recording_block(1, 1, i / 4 * 20, 20));
        assert_true(memory_ring_state(ring).bytes <= bound);
    }
    struct memory_ring_state full = memory_ring_state(ring);
    assert_true(full.blocks_lost > 4);
    assert_true(full.fullest <= bound);

    struct recording_tally tally[2] = {{0}, {0}};
    size_t clocks = 0, marks = 0, losses = 0;
    bool after_block = false;
    struct chunk chunk = {0};
    while (memory_ring_take(ring, &chunk, 0)) {
        clocks += chunk.type == CHUNK_CLOCK;
        marks += chunk.type == CHUNK_MARK;
        if (chunk.type == CHUNK_LOSS) {
            assert_false(after_block); /* the oldest ones */
            recording_tally(&tally[chunk.place.stream], chunk.place.first_scan, lost_scans(&chunk),
                            true);
            losses++;
        }
        if (chunk.type == CHUNK_BLOCK) {
            recording_tally(&tally[chunk.place.stream], chunk.place.first_scan, chunk.scans, false);
            after_block = true;
        }
        chunk_done(&chunk);
    }
    assert_int_equal(clocks, 1);
    assert_int_equal(marks, 1);
    assert_true(losses <= 2); /* merged: at most one a stream */
    assert_int_equal(tally[0].next, 1200);
    assert_int_equal(tally[1].next, 60);
    assert_int_equal(tally[0].lost + tally[1].lost, full.scans_lost);
    memory_ring_free(ring);
}

static void losses_of_different_epochs_stay_apart(void **state) {
    (void)state;
    struct memory_ring *ring = NULL;
    assert_int_equal(memory_ring_new(1, &ring), 0); /* holds no block at all */
    put(ring, recording_block(0, 1, 0, 10));
    put(ring, recording_block(0, 1, 10, 10));
    put(ring, recording_block(0, 1, 25, 10)); /* scans 20..24 are another loss, told elsewhere */
    put(ring, recording_block(0, 2, 35, 10));
    static const struct {
        uint32_t epoch;
        uint64_t first, scans;
    } expected[] = {{1, 0, 20}, {1, 25, 10}, {2, 35, 10}};
    struct chunk chunk = {0};
    for (size_t i = 0; i < 3; i++) {
        assert_true(memory_ring_take(ring, &chunk, 0));
        assert_int_equal(chunk.type, CHUNK_LOSS);
        assert_int_equal(chunk.place.epoch, expected[i].epoch);
        assert_int_equal(chunk.place.first_scan, expected[i].first);
        assert_int_equal(lost_scans(&chunk), expected[i].scans);
        assert_true(chunk.from_ns < chunk.to_ns);
        chunk_done(&chunk);
    }
    assert_false(memory_ring_take(ring, &chunk, 0));
    assert_int_equal(memory_ring_state(ring).blocks_lost, 4);
    assert_int_equal(memory_ring_state(ring).taken_through, 4);
    memory_ring_free(ring);
}

static void wake_and_close_end_a_wait(void **state) {
    (void)state;
    struct memory_ring *ring = NULL;
    struct chunk chunk = {0};
    assert_int_equal(memory_ring_new(1000, &ring), 0);
    memory_ring_wake(ring); /* nobody waits: the next one returns at once */
    assert_false(memory_ring_take(ring, &chunk, 3600 * 1000));
    put(ring, recording_mark("{}", 0));
    memory_ring_close(ring);
    assert_true(memory_ring_take(ring, &chunk, 3600 * 1000));
    chunk_done(&chunk);
    assert_false(memory_ring_take(ring, &chunk, 3600 * 1000));
    memory_ring_free(ring);
    memory_ring_free(NULL);
}

static void what_is_left_is_freed(void **state) {
    (void)state;
    struct memory_ring *ring = NULL;
    assert_int_equal(memory_ring_new(3000, &ring), 0);
    for (uint32_t i = 0; i < 50; i++)
        put(ring, recording_block(0, 1, i * 100, 100));
    memory_ring_free(ring); /* the leak checker watches */
}

/* ---- threads ---- */

#define PUTTERS       3
#define BLOCKS_EACH   400
#define SCANS_A_BLOCK 16

struct putter {
    struct memory_ring *ring;
    uint16_t stream;
    struct chunk *chunks;
};

static void *run_putter(void *context) {
    struct putter *putter = context;
    for (size_t i = 0; i < BLOCKS_EACH; i++) {
        memory_ring_put(putter->ring, &putter->chunks[i]);
        if (i % 7 == 0)
            (void)memory_ring_fill(putter->ring);
        if (i % 50 == 0)
            usleep(500);
    }
    return NULL;
}

static void every_scan_of_every_thread_is_accounted_for(void **state) {
    (void)state;
    struct memory_ring *ring = NULL;
    assert_int_equal(memory_ring_new(20000, &ring), 0);
    struct putter putters[PUTTERS];
    pthread_t threads[PUTTERS];
    for (size_t i = 0; i < PUTTERS; i++) {
        putters[i] = (struct putter){.ring = ring, .stream = (uint16_t)i};
        putters[i].chunks = calloc(BLOCKS_EACH, sizeof(struct chunk));
        assert_non_null(putters[i].chunks);
        for (uint32_t k = 0; k < BLOCKS_EACH; k++)
            putters[i].chunks[k] =
                recording_block((uint16_t)i, 1, k * SCANS_A_BLOCK, SCANS_A_BLOCK);
    }
    for (size_t i = 0; i < PUTTERS; i++)
        assert_int_equal(pthread_create(&threads[i], NULL, run_putter, &putters[i]), 0);

    struct recording_tally tally[PUTTERS] = {{0}};
    struct chunk chunk = {0};
    const uint64_t total = (uint64_t)BLOCKS_EACH * SCANS_A_BLOCK;
    for (size_t taken = 0; tally[0].next < total || tally[1].next < total || tally[2].next < total;
         taken++) {
        if (!memory_ring_take(ring, &chunk, 30000))
            fail_msg("nothing came for 30 s");
        bool lost = chunk.type == CHUNK_LOSS;
        recording_tally(&tally[chunk.place.stream], chunk.place.first_scan,
                        lost ? lost_scans(&chunk) : chunk.scans, lost);
        chunk_done(&chunk);
        if (taken % 20 == 0)
            usleep(2000); /* slower than the putters */
    }
    uint64_t lost = 0;
    for (size_t i = 0; i < PUTTERS; i++) {
        pthread_join(threads[i], NULL);
        free(putters[i].chunks);
        assert_int_equal(tally[i].next, total);
        lost += tally[i].lost;
    }
    struct memory_ring_state end = memory_ring_state(ring);
    assert_int_equal(end.scans_lost, lost);
    assert_int_equal(end.blocks_put, PUTTERS * BLOCKS_EACH);
    assert_int_equal(end.blocks_taken + end.blocks_lost, end.blocks_put);
    assert_int_equal(end.bytes, 0);
    memory_ring_free(ring);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(comes_out_as_it_went_in),
        cmocka_unit_test(oldest_blocks_become_losses_in_their_place),
        cmocka_unit_test(losses_of_different_epochs_stay_apart),
        cmocka_unit_test(wake_and_close_end_a_wait),
        cmocka_unit_test(what_is_left_is_freed),
        cmocka_unit_test(every_scan_of_every_thread_is_accounted_for),
    };
    return cmocka_run_group_tests_name("memory_ring", tests, NULL, NULL);
}
