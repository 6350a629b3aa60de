// SPDX-License-Identifier: Apache-2.0
/*
 * stall_test.c - a disk that stands still under the real writer: every write and sync of this
 * program goes through a gate (linked with --wrap). 8 inputs at 10 kS/s, of noise that no codec
 * makes smaller, are coded by the real block builder into a memory ring of the size that the
 * daemon gives it. Time is the time base's: a stall of a minute takes no minute.
 */
#include "block_builder.h"
#include "clock.h"
#include "cmocka_helper.h"
#include "codec.h"
#include "container.h"
#include "disk_ring.h"
#include "intake.h"
#include "writer.h"

#include <errno.h>
#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/uio.h>
#include <unistd.h>

#define RATE_HZ 10000
#define INPUTS  8
#define BITS    16
#define LONG_MS 60000

/* ---- the gate ---- */

static struct {
    pthread_mutex_t mutex;
    pthread_cond_t changed;
    bool shut;
    unsigned waiting; /* threads that stand before it */
} gate = {.mutex = PTHREAD_MUTEX_INITIALIZER, .changed = PTHREAD_COND_INITIALIZER};

static void pass_gate(void) {
    pthread_mutex_lock(&gate.mutex);
    gate.waiting++;
    pthread_cond_broadcast(&gate.changed);
    while (gate.shut)
        pthread_cond_wait(&gate.changed, &gate.mutex);
    gate.waiting--;
    pthread_mutex_unlock(&gate.mutex);
}

static void set_gate(bool shut) {
    pthread_mutex_lock(&gate.mutex);
    gate.shut = shut;
    pthread_cond_broadcast(&gate.changed);
    pthread_mutex_unlock(&gate.mutex);
}

static void wait_until_stopped(void) {
    pthread_mutex_lock(&gate.mutex);
    while (gate.waiting == 0)
        pthread_cond_wait(&gate.changed, &gate.mutex);
    pthread_mutex_unlock(&gate.mutex);
}

/* The linker's names. */
ssize_t __real_writev(int file, const struct iovec *parts, int count);
ssize_t __wrap_writev(int file, const struct iovec *parts, int count);
int __real_fdatasync(int file);
int __wrap_fdatasync(int file);

ssize_t __wrap_writev(int file, const struct iovec *parts, int count) {
    pass_gate();
    return __real_writev(file, parts, count);
}

int __wrap_fdatasync(int file) {
    pass_gate();
    return __real_fdatasync(file);
}

/* ---- from the builder to the disk ---- */

struct chain {
    char folder[64];
    struct timebase *timebase;
    struct memory_ring *memory;
    struct disk_ring *disk;
    struct writer *writer;
    struct block_builder *builder;
    struct intake_clock *clock;
    uint64_t fed;     /* scans */
    int64_t begin_ns; /* elapsed time of the first */
};

/* 16 bits of noise that only their place decides. */
static int32_t sample(uint64_t scan, size_t input) {
    uint64_t mixed = (scan * INPUTS + input + 1) * 0x9E3779B97F4A7C15u;
    mixed ^= mixed >> 31;
    mixed *= 0xBF58476D1CE4E5B9u;
    return (int32_t)(mixed >> 48);
}

static void expect_rate(struct chain *chain) {
    unsigned bits[INPUTS];
    for (size_t i = 0; i < INPUTS; i++)
        bits[i] = BITS;
    memory_ring_cover(chain->memory, HOOKUP_STALL_S);
    memory_ring_expect(chain->memory, 0, intake_bytes_per_s(INPUTS, bits, RATE_HZ));
}

static void start(struct chain *chain) {
    static const struct disk_ring_settings settings = {.bytes = 1u << 30};
    struct disk_ring_found found;
    *chain = (struct chain){.folder = "/tmp/cranktrap-stall-XXXXXX"};
    assert_non_null(mkdtemp(chain->folder));
    assert_int_equal(timebase_new(&chain->timebase), 0);
    chain->begin_ns = timebase_take_over(chain->timebase, 0);
    assert_int_equal(memory_ring_new(4096, &chain->memory), 0);
    expect_rate(chain);
    assert_int_equal(disk_ring_open(chain->folder, &settings, &found, &chain->disk), 0);
    assert_int_equal(disk_ring_set_head(chain->disk, "{}"), 0);
    assert_int_equal(writer_start(chain->memory, chain->disk, 3, &chain->writer), 0);
    assert_int_equal(block_builder_new(0, chain->memory, chain->timebase, &chain->builder), 0);
    assert_int_equal(block_builder_set_inputs(chain->builder, INPUTS), 0);
    assert_int_equal(intake_clock_new(RATE_HZ, &chain->clock), 0);
    intake_clock_exact(chain->clock, 0, chain->begin_ns);
    block_builder_begin_epoch(chain->builder, 1);
}

/* So many scans in blocks of `block` each. */
static void feed(struct chain *chain, uint64_t scans, uint64_t block) {
    static int32_t counts[(size_t)RATE_HZ * INPUTS];
    for (uint64_t end = chain->fed + scans; chain->fed < end; chain->fed += block) {
        for (uint64_t scan = 0; scan < block; scan++)
            for (size_t input = 0; input < INPUTS; input++)
                counts[scan * INPUTS + input] = sample(chain->fed + scan, input);
        assert_int_equal(block_builder_append(chain->builder, counts, block, block), block);
        timebase_drive(chain->timebase, (int64_t)(chain->fed + block) * (1000000000 / RATE_HZ));
        assert_int_equal(block_builder_close(chain->builder, chain->clock), 0);
    }
}

static void stop(struct chain *chain) {
    char command[96];
    writer_stop(chain->writer);
    memory_ring_free(chain->memory);
    disk_ring_close(chain->disk);
    block_builder_free(chain->builder);
    intake_clock_free(chain->clock);
    timebase_free(chain->timebase);
    (void)snprintf(command, sizeof command, "rm -r '%s'", chain->folder);
    assert_int_equal(system(command), 0);
}

/* ---- what came of it ---- */

struct outcome {
    uint64_t next; /* the scan that must come next */
    uint64_t lost, lost_first;
    unsigned losses, summaries;
};

static void check_block(const struct chunk *chunk) {
    static int32_t counts[CODEC_SAMPLES_MAX];
    struct codec_work *work;
    assert_int_equal(codec_work_new(&work), 0);
    for (size_t input = 0; input < INPUTS; input++) {
        const uint8_t *coded;
        size_t length;
        assert_int_equal(chunk_block_input(chunk, input, &coded, &length), 0);
        assert_int_equal(codec_decode(work, coded, length, counts, chunk->scans), 0);
        for (uint32_t i = 0; i < chunk->scans; i++)
            if (counts[i] != sample(chunk->place.first_scan + i, input))
                fail_msg("scan %llu is another", (unsigned long long)chunk->place.first_scan + i);
    }
    codec_work_free(work);
}

static int64_t time_of(const struct chain *chain, uint64_t scan) {
    return chain->begin_ns + (int64_t)scan * (1000000000 / RATE_HZ);
}

static void take_chunk(const struct chain *chain, const struct chunk *chunk,
                       struct outcome *outcome) {
    uint64_t scans = chunk->scans;
    outcome->summaries += chunk->type == CHUNK_SUMMARY;
    if (chunk->type != CHUNK_BLOCK && chunk->type != CHUNK_LOSS)
        return;
    assert_int_equal(chunk->place.first_scan, outcome->next);
    if (chunk->type == CHUNK_LOSS) {
        const char *reason;
        size_t length;
        assert_int_equal(chunk_parse_loss(chunk, &scans, &reason, &length), 0);
        assert_int_equal(length, strlen("disk too slow"));
        assert_memory_equal(reason, "disk too slow", length);
        assert_int_equal(chunk->from_ns, time_of(chain, outcome->next));
        assert_int_equal(chunk->to_ns, time_of(chain, outcome->next + scans));
        outcome->lost_first = outcome->next;
        outcome->lost += scans;
        outcome->losses++;
    } else {
        check_block(chunk);
    }
    outcome->next += scans;
}

/* Every scan of the folder in order: the right samples, or a loss. */
static struct outcome read_back(const struct chain *chain) {
    struct outcome outcome = {0};
    struct disk_ring_list list;
    assert_int_equal(disk_ring_list_folder(chain->folder, &list), 0);
    for (size_t file = 0; file < list.count; file++) {
        struct container_reader *reader;
        const struct container_entry *entry;
        assert_int_equal(container_open(list.path[file], &reader), 0);
        size_t count = container_entries(reader, &entry);
        for (size_t i = 0; i < count; i++) {
            struct chunk chunk = {0};
            assert_int_equal(container_read(reader, i, &chunk), 0);
            take_chunk(chain, &chunk, &outcome);
            chunk_done(&chunk);
        }
        container_reader_free(reader);
    }
    disk_ring_list_done(&list);
    return outcome;
}

/* The disk stops while a first second is being written, for `seconds` more of them. */
static struct memory_ring_state stall(struct chain *chain, unsigned seconds, uint64_t block) {
    feed(chain, RATE_HZ, RATE_HZ);
    assert_int_equal(writer_flush(chain->writer, LONG_MS), 0);
    set_gate(true);
    feed(chain, RATE_HZ, RATE_HZ);
    wait_until_stopped();
    feed(chain, (uint64_t)seconds * RATE_HZ, block);
    assert_int_equal(writer_flush(chain->writer, 10), -ETIMEDOUT); /* it really stands */
    struct memory_ring_state stalled = memory_ring_state(chain->memory);
    set_gate(false);
    assert_int_equal(writer_flush(chain->writer, LONG_MS), 0);
    feed(chain, RATE_HZ, RATE_HZ);
    assert_int_equal(writer_flush(chain->writer, LONG_MS), 0);
    return stalled;
}

static void ten_seconds_lose_nothing(void **state) {
    (void)state;
    static const uint64_t blocks[] = {RATE_HZ, RATE_HZ / 4}; /* also as short as urgent ones */
    for (size_t i = 0; i < sizeof blocks / sizeof *blocks; i++) {
        struct chain chain;
        start(&chain);
        struct memory_ring_state stalled = stall(&chain, 10, blocks[i]);
        assert_int_equal(stalled.scans_lost, 0);
        assert_true(stalled.bytes > 10 * RATE_HZ * INPUTS * BITS / 8); /* nothing was compressed */
        struct outcome outcome = read_back(&chain);
        assert_int_equal(outcome.next, 13 * RATE_HZ);
        assert_int_equal(outcome.losses, 0);
        stop(&chain);
    }
}

static void a_minute_is_lost_exactly(void **state) {
    (void)state;
    struct chain chain;
    start(&chain);
    struct memory_ring_state stalled = stall(&chain, 60, RATE_HZ);
    assert_true(stalled.scans_lost > 0);
    assert_true(stalled.scans_lost <= 50 * RATE_HZ);
    assert_true(stalled.fullest <= stalled.bound);
    struct outcome outcome = read_back(&chain);
    assert_int_equal(outcome.next, 63 * RATE_HZ);
    assert_int_equal(outcome.lost, stalled.scans_lost);
    assert_int_equal(outcome.losses, 1);               /* one, in its place: */
    assert_int_equal(outcome.lost_first, 2 * RATE_HZ); /* behind what the writer had in hand */
    assert_true(outcome.summaries >= 3); /* what was before the hole is summed up, on every span */
    stop(&chain);
}

static void the_bound_follows_the_boards(void **state) {
    (void)state;
    struct memory_ring *ring;
    assert_int_equal(memory_ring_new(1000, &ring), 0);
    memory_ring_expect(ring, 0, 5000);
    assert_int_equal(memory_ring_state(ring).bound, 1000); /* as given, until told to cover */
    memory_ring_cover(ring, 10);
    assert_true(memory_ring_state(ring).bound >= 50000);
    memory_ring_expect(ring, 1, 5000);
    assert_true(memory_ring_state(ring).bound >= 100000);
    memory_ring_expect(ring, 0, 0);
    memory_ring_expect(ring, 1, 0);
    memory_ring_expect(ring, MEMORY_RING_STREAMS, 1e9);
    assert_int_equal(memory_ring_state(ring).bound, 1000);
    memory_ring_expect(ring, 1, 1e15); /* never all of the computer */
    assert_true((double)memory_ring_state(ring).bound <
                (double)sysconf(_SC_PHYS_PAGES) * (double)sysconf(_SC_PAGESIZE) / 2);
    memory_ring_free(ring);
}

/* Blocks coded with the fast effort so far. */
static uint64_t fast_blocks(const struct chain *chain) {
    uint64_t blocks, fast;
    block_builder_count(chain->builder, &blocks, &fast);
    assert_int_equal(blocks, chain->fed / RATE_HZ);
    return fast;
}

static void effort_falls_and_rises_with_load(void **state) {
    (void)state;
    struct chain chain;
    start(&chain);
    feed(&chain, 2 * RATE_HZ, RATE_HZ);
    assert_int_equal(writer_flush(chain.writer, LONG_MS), 0);
    assert_int_equal(fast_blocks(&chain), 0);
    set_gate(true);
    feed(&chain, 11 * RATE_HZ, RATE_HZ); /* of twelve that there is room for */
    uint64_t fast = fast_blocks(&chain);
    assert_in_range(fast, 3, 8);
    set_gate(false);
    assert_int_equal(writer_flush(chain.writer, LONG_MS), 0);
    feed(&chain, RATE_HZ, RATE_HZ);
    assert_int_equal(fast_blocks(&chain), fast);
    block_builder_hurry(chain.builder, true); /* the board's bytes wait */
    feed(&chain, RATE_HZ, RATE_HZ);
    assert_int_equal(fast_blocks(&chain), fast + 1);
    assert_int_equal(writer_flush(chain.writer, LONG_MS), 0);
    assert_int_equal(read_back(&chain).next, 15 * RATE_HZ);
    stop(&chain);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_bound_follows_the_boards),
        cmocka_unit_test(ten_seconds_lose_nothing),
        cmocka_unit_test(a_minute_is_lost_exactly),
        cmocka_unit_test(effort_falls_and_rises_with_load),
    };
    return cmocka_run_group_tests_name("stall", tests, NULL, NULL);
}
