// SPDX-License-Identifier: Apache-2.0
/*
 * container_faults_test.c - disks that fail: short writes, interruptions, no space, bad sectors.
 *
 * This program's own writev, pread and fdatasync take the place of the system's, and fail on
 * command.
 */
#include "codec.h"
#include "container.h"
#include "recording_helper.h"

#include <errno.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/syscall.h>
#include <sys/uio.h>
#include <unistd.h>

static struct {
    size_t most;          /* bytes a write takes; 0: all */
    bool interrupt;       /* every other call is interrupted */
    size_t room;          /* bytes until the disk is full; SIZE_MAX: never */
    int sync_error;       /* errno of fdatasync, 0: none */
    uint64_t bad, bad_to; /* bytes of the file that cannot be read */
} fault;

static bool interrupted(void) {
    static bool turn;
    turn = !turn;
    if (fault.interrupt && turn)
        errno = EINTR;
    return fault.interrupt && turn;
}

ssize_t writev(int fd, const struct iovec *parts, int count) {
    if (interrupted())
        return -1;
    size_t most = fault.most && fault.most < parts[0].iov_len ? fault.most : parts[0].iov_len;
    if (most > fault.room)
        most = fault.room;
    if (!fault.most && fault.room == SIZE_MAX)
        return syscall(SYS_writev, fd, parts, count);
    if (!most) {
        errno = ENOSPC;
        return -1;
    }
    ssize_t taken = write(fd, parts[0].iov_base, most);
    if (taken > 0 && fault.room != SIZE_MAX)
        fault.room -= (size_t)taken;
    return taken;
}

ssize_t pread(int fd, void *to, size_t count, off_t offset) {
    if (interrupted())
        return -1;
    uint64_t from = (uint64_t)offset;
    if (from >= fault.bad && from < fault.bad_to) {
        errno = EIO;
        return -1;
    }
    if (from < fault.bad && from + count > fault.bad)
        count = (size_t)(fault.bad - from);
    if (fault.most && count > fault.most)
        count = fault.most;
    return syscall(SYS_pread64, fd, to, count, offset);
}

int fdatasync(int fd) {
    if (fault.sync_error) {
        errno = fault.sync_error;
        return -1;
    }
    return (int)syscall(SYS_fdatasync, fd);
}

static char *folder;
static char path[256];

static int set_up(void **state) {
    (void)state;
    memset(&fault, 0, sizeof fault);
    fault.room = SIZE_MAX;
    folder = recording_folder();
    snprintf(path, sizeof path, "%s/fault.ring", folder);
    return 0;
}

static int tear_down(void **state) {
    (void)state;
    recording_folder_remove(folder);
    return 0;
}

static struct container_writer *create(void) {
    struct container_writer *writer = NULL;
    assert_int_equal(container_create(path, "{}", &writer), 0);
    return writer;
}

static int append_block(struct container_writer *writer, uint64_t first_scan) {
    struct chunk chunk = recording_block(0, 1, first_scan, 500);
    int error = container_append(writer, &chunk);
    chunk_done(&chunk);
    return error;
}

static void short_writes_and_reads_are_finished(void **state) {
    (void)state;
    const size_t most[] = {1, 3, 31, 32, 33, 1000};
    for (size_t i = 0; i < sizeof most / sizeof most[0]; i++) {
        fault.most = most[i];
        fault.interrupt = true;
        struct container_writer *writer = create();
        for (uint64_t k = 0; k < 5; k++)
            assert_int_equal(append_block(writer, k * 500), 0);
        assert_int_equal(container_close(writer, true), 0);
        char text[256];
        assert_int_equal(container_verify(path, text, sizeof text), CONTAINER_WHOLE);
        assert_int_equal(unlink(path), 0);
    }
}

static void a_full_disk_is_told_and_remembered(void **state) {
    (void)state;
    struct container_writer *writer = create();
    assert_int_equal(append_block(writer, 0), 0);
    fault.room = 100;
    assert_int_equal(append_block(writer, 500), -ENOSPC);
    fault.room = SIZE_MAX; /* room again: too late for this file, a torn chunk stands in it */
    assert_int_equal(append_block(writer, 500), -ENOSPC);
    assert_int_equal(container_sync(writer), -ENOSPC);
    assert_int_equal(container_close(writer, true), -ENOSPC);
    char text[256];
    assert_int_equal(container_verify(path, text, sizeof text), CONTAINER_TRUNCATED);
    assert_non_null(strstr(text, "1 of at most 2 blocks"));
}

static void nothing_is_left_of_a_file_without_room_for_its_head(void **state) {
    (void)state;
    struct container_writer *writer = NULL;
    fault.room = 10;
    assert_int_equal(container_create(path, "{}", &writer), -ENOSPC);
    assert_null(writer);
    assert_false(recording_exists(folder, "fault.ring"));
}

static void a_failed_sync_is_remembered(void **state) {
    (void)state;
    struct container_writer *writer = create();
    fault.sync_error = EIO;
    assert_int_equal(container_sync(writer), -EIO);
    fault.sync_error = 0; /* the system forgets the error; the writer must not */
    assert_int_equal(container_sync(writer), -EIO);
    assert_int_equal(append_block(writer, 0), -EIO);
    assert_int_equal(container_close(writer, true), -EIO);
}

/* A disk page goes bad: the chunks on it are lost, the others are read. */
static void bad_sectors_cost_only_their_chunks(void **state) {
    (void)state;
    struct container_writer *writer = create();
    for (uint64_t k = 0; k < 40; k++)
        assert_int_equal(append_block(writer, k * 500), 0);
    uint64_t size = container_size(writer);
    assert_int_equal(container_close(writer, true), 0);
    assert_true(size > 3 * 4096);
    fault.bad = 4096;
    fault.bad_to = 8192;
    struct container_reader *reader = NULL;
    assert_int_equal(container_open(path, &reader), 0);
    assert_int_equal(container_state(reader), CONTAINER_IO_ERROR);
    const struct container_entry *entries;
    size_t count = container_entries(reader, &entries);
    bool met[64] = {false};
    for (size_t i = 0; i < count; i++) {
        struct chunk chunk;
        assert_int_equal(container_read(reader, i, &chunk), 0);
        chunk_done(&chunk);
        met[entries[i].sequence] = true;
    }
    fault.bad = fault.bad_to = 0;
    struct container_reader *whole = NULL;
    assert_int_equal(container_open(path, &whole), 0);
    const struct container_entry *all;
    size_t all_count = container_entries(whole, &all);
    assert_int_equal(all_count, 43);
    for (size_t i = 0; i < all_count; i++)
        assert_true(met[i] == (all[i].offset + all[i].length <= 4096 || all[i].offset >= 8192));
    /* And where it goes bad only after the scan: */
    fault.bad = all[5].offset;
    fault.bad_to = fault.bad + 1;
    struct chunk chunk;
    assert_int_equal(container_read(whole, 5, &chunk), -EIO);
    container_reader_free(whole);
    container_reader_free(reader);
    char text[256];
    assert_int_equal(container_verify(path, text, sizeof text), CONTAINER_IO_ERROR);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(short_writes_and_reads_are_finished, set_up, tear_down),
        cmocka_unit_test_setup_teardown(a_full_disk_is_told_and_remembered, set_up, tear_down),
        cmocka_unit_test_setup_teardown(nothing_is_left_of_a_file_without_room_for_its_head, set_up,
                                        tear_down),
        cmocka_unit_test_setup_teardown(a_failed_sync_is_remembered, set_up, tear_down),
        cmocka_unit_test_setup_teardown(bad_sectors_cost_only_their_chunks, set_up, tear_down),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
