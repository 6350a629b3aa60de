// SPDX-License-Identifier: Apache-2.0
/*
 * writer_test.c - what a flush promises, what a stop leaves, a killed writer, a full disk.
 */
#include "recording_helper.h"

#include "disk_ring.h"
#include "playback.h"
#include "writer.h"

#include <errno.h>
#include <fcntl.h>
#include <pthread.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/statvfs.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#define NEVER_S 3600.0 /* a sync interval that does not come */
#define LONG_MS 60000  /* a generous deadline */

static const struct disk_ring_settings settings = {.bytes = 50u << 20, .segment_bytes = 50000};

/* The whole chain: memory, disk, writer. */
struct chain {
    char *folder;
    struct memory_ring *memory;
    struct disk_ring *disk;
    struct writer *writer;
};

static struct chain start(char *folder, uint64_t memory_bytes, double sync_interval_s) {
    struct chain chain = {.folder = folder};
    struct disk_ring_found found;
    assert_int_equal(memory_ring_new(memory_bytes, &chain.memory), 0);
    assert_int_equal(disk_ring_open(folder, &settings, &found, &chain.disk), 0);
    char *head = recording_head();
    assert_int_equal(disk_ring_set_head(chain.disk, head), 0);
    free(head);
    assert_int_equal(writer_start(chain.memory, chain.disk, sync_interval_s, &chain.writer), 0);
    return chain;
}

static void stop(struct chain *chain) {
    writer_stop(chain->writer);
    memory_ring_free(chain->memory);
    disk_ring_close(chain->disk);
}

static void put(struct chain *chain, struct chunk chunk) {
    memory_ring_put(chain->memory, &chunk);
}

static void put_block(struct chain *chain, uint32_t epoch, uint64_t index) {
    if (index == 0)
        put(chain, recording_clock(0, epoch, 0, 0, 0, 1000, 1));
    put(chain, recording_block(0, epoch, index * 500, 500));
}

/* Scans of stream 0 that can be read back, as samples and as losses. */
struct readable {
    uint64_t held, lost;
    double to_s;
};

static struct readable read_back(const char *folder, uint32_t epoch) {
    struct readable found = {0};
    struct disk_ring_list list;
    assert_int_equal(disk_ring_list_folder(folder, &list), 0);
    struct playback *playback = NULL;
    char why[256];
    int error =
        playback_open((const char *const *)list.path, list.count, &playback, why, sizeof why);
    disk_ring_list_done(&list);
    if (error == -ENODATA)
        return found;
    if (error)
        fail_msg("%s", why);
    const struct record *record = playback_record(playback);
    struct record_run run;
    assert_int_equal(record->seek(record->context, 0), 0);
    double zero = (double)playback_elapsed_ns(playback) * 1e-9;
    while (record->next(record->context, &run) == 1) {
        recording_check_run(&run, epoch, (uint64_t)((zero + run.time_s) * 1000 + 0.5));
        found.held += run.scans;
    }
    const struct record_loss *losses;
    size_t count = record->losses(record->context, &losses);
    for (size_t i = 0; i < count; i++) {
        assert_string_equal(losses[i].reason, "disk too slow");
        found.lost += losses[i].scans;
    }
    found.to_s = record->to_s;
    playback_free(playback);
    return found;
}

/* Polls until there were so many syncs; fails after a minute. */
static struct disk_ring_state wait_for_syncs(struct chain *chain, uint64_t syncs) {
    for (int i = 0; i < 60000; i++) {
        struct disk_ring_state now = disk_ring_state(chain->disk);
        if (now.syncs >= syncs)
            return now;
        usleep(1000);
    }
    fail_msg("no sync in a minute");
    return (struct disk_ring_state){0};
}

static void flush_makes_durable_what_was_put_before(void **state) {
    (void)state;
    struct chain chain = start(recording_folder(), 1 << 20, NEVER_S);
    assert_int_equal(writer_flush(chain.writer, LONG_MS), 0); /* nothing was put */
    for (uint64_t i = 0; i < 60; i++) {
        put_block(&chain, 1, i);
        if (i % 3)
            continue;
        assert_int_equal(writer_flush(chain.writer, LONG_MS), 0);
        assert_int_equal(memory_ring_state(chain.memory).bytes, 0);
        assert_true(disk_ring_state(chain.disk).syncs > i / 3);
        assert_int_equal(read_back(chain.folder, 1).held, (i + 1) * 500);
    }
    stop(&chain);
    assert_int_equal(read_back(chain.folder, 1).held, 60 * 500);
    recording_folder_remove(chain.folder);
}

static void stop_writes_the_rest(void **state) {
    (void)state;
    struct chain chain = start(recording_folder(), 10 << 20, NEVER_S);
    for (uint64_t i = 0; i < 500; i++)
        put_block(&chain, 1, i);
    stop(&chain); /* at once */
    assert_int_equal(read_back(chain.folder, 1).held, 500 * 500);
    recording_folder_remove(chain.folder);
    writer_stop(NULL);
}

static void syncs_by_itself(void **state) {
    (void)state;
    struct chain chain = start(recording_folder(), 1 << 20, 0.05);
    put_block(&chain, 1, 0);
    wait_for_syncs(&chain, 1);
    put_block(&chain, 1, 1);
    wait_for_syncs(&chain, 2);
    stop(&chain);

    /* With an interval that never comes, urgency alone does it: also of what was put before. */
    recording_folder_remove(chain.folder);
    chain = start(recording_folder(), 1 << 20, NEVER_S);
    put_block(&chain, 1, 0);
    writer_urgent(chain.writer, true);
    wait_for_syncs(&chain, 1);
    put_block(&chain, 1, 1);
    wait_for_syncs(&chain, 2);
    writer_urgent(chain.writer, false);
    stop(&chain);
    recording_folder_remove(chain.folder);
}

/* ---- several threads put and flush ---- */

#define PUTTERS 3
#define BLOCKS  60

struct putter {
    struct chain *chain;
    uint32_t epoch; /* each its own, of stream 0 */
};

static void *run_putter(void *context) {
    struct putter *putter = context;
    for (uint64_t i = 0; i < BLOCKS; i++) {
        put_block(putter->chain, putter->epoch, i);
        if (i % 9 == 0 && writer_flush(putter->chain->writer, LONG_MS) != 0)
            return putter;
        if (i % 20 == 0)
            writer_urgent(putter->chain->writer, i % 40 == 0);
    }
    return writer_flush(putter->chain->writer, LONG_MS) == 0 ? NULL : putter;
}

static void many_threads_put_and_flush(void **state) {
    (void)state;
    struct chain chain = start(recording_folder(), 10 << 20, 0.02);
    struct putter putters[PUTTERS];
    pthread_t threads[PUTTERS];
    for (uint32_t i = 0; i < PUTTERS; i++) {
        putters[i] = (struct putter){.chain = &chain, .epoch = i + 1};
        assert_int_equal(pthread_create(&threads[i], NULL, run_putter, &putters[i]), 0);
    }
    for (size_t i = 0; i < PUTTERS; i++) {
        void *failed;
        pthread_join(threads[i], &failed);
        assert_null(failed);
    }
    assert_int_equal(memory_ring_state(chain.memory).blocks_taken, PUTTERS * BLOCKS);
    assert_int_equal(disk_ring_state(chain.disk).chunks_dropped, 0);
    stop(&chain);
    recording_folder_remove(chain.folder);
}

/* Readers take the ring's segments away under the writer's hands, and give them back. */
static void *run_reader(void *context) {
    struct chain *chain = context;
    char why[256];
    for (int i = 0; i < 40; i++) {
        struct disk_ring_list list;
        int error = i % 2 ? disk_ring_pin(chain->disk, &list)
                          : disk_ring_pin_stretch(chain->disk, 0, INT64_MAX, &list);
        if (error)
            return chain;
        for (size_t k = 0; !error && k < list.count; k++)
            error = access(list.path[k], R_OK);
        struct playback *playback = NULL;
        int opened =
            playback_open((const char *const *)list.path, list.count, &playback, why, sizeof why);
        playback_free(playback);
        disk_ring_unpin(chain->disk, &list);
        if (error || (opened != 0 && opened != -ENODATA && opened != -EBADMSG))
            return chain;
    }
    return NULL;
}

static void readers_pin_while_the_writer_prunes(void **state) {
    (void)state;
    struct chain chain = {.folder = recording_folder()};
    struct disk_ring_settings tight = {.bytes = 100000, .segment_bytes = 5000};
    struct disk_ring_found found;
    assert_int_equal(memory_ring_new(1 << 20, &chain.memory), 0);
    assert_int_equal(disk_ring_open(chain.folder, &tight, &found, &chain.disk), 0);
    char *head = recording_head();
    assert_int_equal(disk_ring_set_head(chain.disk, head), 0);
    free(head);
    assert_int_equal(writer_start(chain.memory, chain.disk, 0.01, &chain.writer), 0);
    pthread_t readers[2];
    for (size_t i = 0; i < 2; i++)
        assert_int_equal(pthread_create(&readers[i], NULL, run_reader, &chain), 0);
    for (uint64_t i = 0; i < 600; i++) {
        put_block(&chain, 1, i);
        if (i % 20 == 0)
            assert_int_equal(writer_flush(chain.writer, LONG_MS), 0);
    }
    for (size_t i = 0; i < 2; i++) {
        void *failed;
        pthread_join(readers[i], &failed);
        assert_null(failed);
    }
    struct disk_ring_state end = disk_ring_state(chain.disk);
    assert_true(end.segments_pruned > 0);
    assert_int_equal(end.pinned, 0);
    assert_int_equal(end.chunks_dropped, 0);
    stop(&chain);
    recording_folder_remove(chain.folder);
}

/* ---- killed ---- */

/* Writes for ever; tells after each flush how many blocks are promised to be safe. */
static void write_until_killed(char *folder, int tell) {
    struct chain chain = start(folder, 1 << 20, NEVER_S);
    for (uint64_t i = 0;; i++) {
        put_block(&chain, 1, i);
        if (i % 5 == 4 && (writer_flush(chain.writer, LONG_MS) != 0 ||
                           write(tell, &i, sizeof i) != (ssize_t)sizeof i))
            _exit(1);
    }
}

static void killed_writer_keeps_what_was_flushed(void **state) {
    (void)state;
    for (unsigned round = 0; round < 4; round++) {
        char *folder = recording_folder();
        int ends[2];
        assert_int_equal(pipe(ends), 0);
        pid_t child = fork();
        if (child == 0) {
            close(ends[0]);
            write_until_killed(folder, ends[1]);
        }
        close(ends[1]);
        uint64_t safe = 0;
        for (unsigned i = 0; i < 20 + 7 * round; i++)
            assert_int_equal(read(ends[0], &safe, sizeof safe), sizeof safe);
        kill(child, SIGKILL);
        int status;
        assert_int_equal(waitpid(child, &status, 0), child);
        assert_true(WIFSIGNALED(status));
        while (read(ends[0], &safe, sizeof safe) == sizeof safe)
            ; /* promised before it died */
        close(ends[0]);

        struct readable found = read_back(folder, 1);
        assert_true(found.held >= (safe + 1) * 500);
        assert_int_equal(found.lost, 0);

        /* The next daemon goes on beside it. */
        struct disk_ring_found recovered;
        struct disk_ring *ring = NULL;
        assert_int_equal(disk_ring_open(folder, &settings, &recovered, &ring), 0);
        assert_int_equal(recovered.last_epoch, 1);
        disk_ring_close(ring);
        assert_int_equal(read_back(folder, 1).held, found.held);
        recording_folder_remove(folder);
    }
}

/* ---- a disk that takes nothing ---- */

static void fill_disk(const char *folder, bool fill) {
    static const char bytes[4096];
    char path[4096];
    snprintf(path, sizeof path, "%s/somebody-elses", folder);
    if (!fill) {
        assert_int_equal(unlink(path), 0);
        return;
    }
    int file = open(path, O_WRONLY | O_CREAT | O_APPEND, 0600);
    assert_true(file >= 0);
    while (write(file, bytes, sizeof bytes) > 0)
        ;
    close(file);
}

static void full_disk_costs_only_counted_scans(void **state) {
    (void)state;
    char *folder = recording_small_disk(1 << 20);
    if (!folder) {
        print_message("not run: mounting a small disk is not permitted here\n");
        skip();
    }
    struct chain chain = start(folder, 50000, 0.05);
    uint64_t blocks = 0;
    for (; blocks < 50; blocks++)
        put_block(&chain, 1, blocks);
    assert_int_equal(writer_flush(chain.writer, LONG_MS), 0);
    struct disk_ring_list pinned; /* the ring must not help itself by pruning */
    assert_int_equal(disk_ring_pin(chain.disk, &pinned), 0);
    fill_disk(folder, true);
    while (memory_ring_state(chain.memory).blocks_lost < 20)
        put_block(&chain, 1, blocks++);
    assert_int_equal(writer_flush(chain.writer, LONG_MS), -ENOSPC);
    assert_true(memory_ring_state(chain.memory).bytes <= 50000);
    assert_int_equal(disk_ring_state(chain.disk).last_error, -ENOSPC);

    fill_disk(folder, false);
    int error;
    do /* it tries again every second */
        error = writer_flush(chain.writer, LONG_MS);
    while (error == -ENOSPC);
    assert_int_equal(error, 0);
    for (uint64_t end = blocks + 20; blocks < end; blocks++)
        put_block(&chain, 1, blocks);
    assert_int_equal(writer_flush(chain.writer, LONG_MS), 0);
    struct memory_ring_state memory = memory_ring_state(chain.memory);
    disk_ring_unpin(chain.disk, &pinned);
    stop(&chain);

    struct readable found = read_back(folder, 1);
    assert_int_equal(found.held + found.lost, blocks * 500);
    assert_int_equal(found.lost, memory.scans_lost);
    assert_true(found.lost > 0);
    recording_small_disk_remove(folder);
}

static void stop_on_a_full_disk_drops_and_counts(void **state) {
    (void)state;
    char *folder = recording_small_disk(256 << 10);
    if (!folder) {
        print_message("not run: mounting a small disk is not permitted here\n");
        skip();
    }
    struct chain chain = start(folder, 1 << 20, 0.05);
    fill_disk(folder, true);
    for (uint64_t i = 0; i < 100; i++)
        put_block(&chain, 1, i);
    writer_stop(chain.writer); /* returns */
    struct disk_ring_state end = disk_ring_state(chain.disk);
    assert_int_equal(end.scans_dropped, 100 * 500);
    assert_int_equal(end.chunks_dropped, 101);
    memory_ring_free(chain.memory);
    disk_ring_close(chain.disk);
    recording_small_disk_remove(folder);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        /* First those that mount: a process with threads cannot. */
        cmocka_unit_test(full_disk_costs_only_counted_scans),
        cmocka_unit_test(stop_on_a_full_disk_drops_and_counts),
        cmocka_unit_test(killed_writer_keeps_what_was_flushed),
        cmocka_unit_test(flush_makes_durable_what_was_put_before),
        cmocka_unit_test(stop_writes_the_rest),
        cmocka_unit_test(syncs_by_itself),
        cmocka_unit_test(many_threads_put_and_flush),
        cmocka_unit_test(readers_pin_while_the_writer_prunes),
    };
    return cmocka_run_group_tests_name("writer", tests, NULL, NULL);
}
