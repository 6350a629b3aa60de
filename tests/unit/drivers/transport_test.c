// SPDX-License-Identifier: Apache-2.0
/*
 * transport_test.c - the transport on real pseudo-terminals and FIFOs of the kernel.
 */
#include "cmocka_helper.h"
#include "transport.h"

#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <pthread.h>
#include <pty.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <termios.h>
#include <unistd.h>

#define PATIENCE_MS 10000 /* far longer than anything here takes */

static const struct transport_settings settings = {.baud = 115200};

struct bench {
    char folder[64];
    int master; /* the board's side */
    char node[64];
};

static int set_up(void **state) {
    struct bench *bench = calloc(1, sizeof *bench);
    int slave;
    if (bench == NULL || openpty(&bench->master, &slave, bench->node, NULL, NULL) < 0)
        return -1;
    close(slave);
    (void)snprintf(bench->folder, sizeof bench->folder, "/tmp/transport-test-XXXXXX");
    if (mkdtemp(bench->folder) == NULL)
        return -1;
    *state = bench;
    return 0;
}

static int tear_down(void **state) {
    struct bench *bench = *state;
    static const char *const made[] = {"first", "second", "fifo", "file"};
    char path[128];
    for (size_t i = 0; i < sizeof made / sizeof made[0]; i++) {
        (void)snprintf(path, sizeof path, "%s/%s", bench->folder, made[i]);
        (void)unlink(path);
    }
    (void)rmdir(bench->folder);
    if (bench->master >= 0)
        close(bench->master);
    free(bench);
    return 0;
}

static struct transport *open_node(const char *path) {
    struct transport *transport = NULL;
    assert_int_equal(transport_open(path, &settings, &transport), 0);
    assert_non_null(transport);
    return transport;
}

/* Reads until `count` bytes have come. */
static void read_all(struct transport *transport, uint8_t *bytes, size_t count) {
    for (size_t got = 0; got < count;) {
        int result = transport_read(transport, bytes + got, count - got, PATIENCE_MS);
        assert_true(result > 0);
        got += (size_t)result;
    }
}

/* All 256 values, both ways: no echo, no line editing, no XON/XOFF, no signals, no CR-LF. */
static void every_byte_passes(void **state) {
    struct bench *bench = *state;
    struct transport *transport = open_node(bench->node);
    uint8_t sent[256], came[256];
    for (size_t i = 0; i < sizeof sent; i++)
        sent[i] = (uint8_t)i;

    assert_int_equal(write(bench->master, sent, sizeof sent), sizeof sent);
    read_all(transport, came, sizeof came);
    assert_memory_equal(sent, came, sizeof sent);

    assert_int_equal(transport_write(transport, sent, sizeof sent, PATIENCE_MS), 0);
    size_t got = 0;
    memset(came, 0, sizeof came);
    while (got < sizeof came) {
        ssize_t count = read(bench->master, came + got, sizeof came - got);
        assert_true(count > 0);
        got += (size_t)count;
    }
    assert_memory_equal(sent, came, sizeof sent);
    assert_int_equal(transport_read(transport, came, sizeof came, 0), 0); /* nothing echoed */
    transport_close(transport);
}

static void old_input_is_flushed(void **state) {
    struct bench *bench = *state;
    int slave = open(bench->node, O_RDWR | O_NOCTTY);
    assert_true(slave >= 0);
    assert_int_equal(write(bench->master, "stale\n", 6), 6);
    struct transport *transport = open_node(bench->node);
    assert_int_equal(write(bench->master, "new", 3), 3);
    uint8_t bytes[16];
    assert_int_equal(transport_read(transport, bytes, sizeof bytes, PATIENCE_MS), 3);
    assert_memory_equal(bytes, "new", 3);
    transport_close(transport);
    close(slave);
}

static void silence_is_no_error(void **state) {
    struct bench *bench = *state;
    struct transport *transport = open_node(bench->node);
    uint8_t bytes[16];
    assert_int_equal(transport_read(transport, bytes, sizeof bytes, 0), 0);
    assert_int_equal(transport_read(transport, bytes, sizeof bytes, 20), 0);
    assert_true(transport_overruns(transport) == 0);
    transport_close(transport);
}

static void *interrupt(void *transport) {
    transport_interrupt(transport);
    return NULL;
}

static void interruption_ends_a_wait(void **state) {
    struct bench *bench = *state;
    struct transport *transport = open_node(bench->node);
    uint8_t bytes[16];
    pthread_t thread;
    assert_int_equal(pthread_create(&thread, NULL, interrupt, transport), 0);
    /* Without an end: only the interruption can bring it back, whether before or while it waits. */
    assert_int_equal(transport_read(transport, bytes, sizeof bytes, -1), 0);
    pthread_join(thread, NULL);

    /* It is used up by one read, and loses no bytes. */
    transport_interrupt(transport);
    assert_int_equal(write(bench->master, "kept", 4), 4);
    assert_int_equal(transport_read(transport, bytes, sizeof bytes, -1), 0);
    assert_int_equal(transport_read(transport, bytes, sizeof bytes, PATIENCE_MS), 4);
    transport_close(transport);
}

static void hang_up_comes_after_the_last_bytes(void **state) {
    struct bench *bench = *state;
    struct transport *transport = open_node(bench->node);
    uint8_t bytes[16];
    assert_int_equal(write(bench->master, "last", 4), 4);
    assert_int_equal(transport_read(transport, bytes, sizeof bytes, PATIENCE_MS), 4);
    close(bench->master);
    bench->master = -1;
    for (int i = 0; i < 3; i++) /* and it stays so */
        assert_int_equal(transport_read(transport, bytes, sizeof bytes, PATIENCE_MS), -ENODEV);
    assert_int_equal(transport_write(transport, bytes, 4, PATIENCE_MS), -ENODEV);
    transport_close(transport);

    struct transport *other = NULL;
    assert_true(transport_open(bench->node, &settings, &other) < 0);
    assert_null(other);
}

static void one_program_at_a_time(void **state) {
    struct bench *bench = *state;
    struct transport *transport = open_node(bench->node);
    struct transport *second = NULL;
    assert_int_equal(transport_open(bench->node, &settings, &second), -EBUSY);
    assert_null(second);
    transport_close(transport);
    transport_close(open_node(bench->node));
}

static void not_a_port(void **state) {
    struct bench *bench = *state;
    struct transport *transport = NULL;
    char file[128], missing[128];
    (void)snprintf(file, sizeof file, "%s/file", bench->folder);
    (void)snprintf(missing, sizeof missing, "%s/missing", bench->folder);
    int made = open(file, O_CREAT | O_WRONLY, 0600);
    assert_true(made >= 0);
    close(made);
    assert_int_equal(transport_open(missing, &settings, &transport), -ENOENT);
    assert_int_equal(transport_open(file, &settings, &transport), -EINVAL);
    assert_int_equal(transport_open(bench->folder, &settings, &transport), -EINVAL);
    assert_int_equal(transport_open("/dev/null", &settings, &transport), -EINVAL);
    assert_null(transport);
}

static void links_are_followed(void **state) {
    struct bench *bench = *state;
    struct transport *transport = NULL;
    char first[128], second[128];
    (void)snprintf(first, sizeof first, "%s/first", bench->folder);
    (void)snprintf(second, sizeof second, "%s/second", bench->folder);

    assert_int_equal(symlink("./first", second), 0); /* leads nowhere yet */
    assert_int_equal(transport_open(second, &settings, &transport), -ENOENT);
    assert_int_equal(symlink(bench->node, first), 0);
    transport_close(open_node(second));

    assert_int_equal(unlink(first), 0);
    assert_int_equal(symlink("second", first), 0);
    assert_int_equal(transport_open(second, &settings, &transport), -ELOOP);
    assert_null(transport);
}

static void writing_gives_up_in_time(void **state) {
    struct bench *bench = *state;
    struct transport *transport = open_node(bench->node);
    static uint8_t much[1 << 20]; /* more than a terminal buffers: nobody reads the other side */
    assert_int_equal(transport_write(transport, much, sizeof much, 30), -ETIMEDOUT);
    transport_close(transport);
}

static void fifo_carries_one_way(void **state) {
    struct bench *bench = *state;
    char path[128];
    uint8_t bytes[16];
    (void)snprintf(path, sizeof path, "%s/fifo", bench->folder);
    assert_int_equal(mkfifo(path, 0600), 0);
    struct transport *transport = open_node(path);
    assert_int_equal(transport_read(transport, bytes, sizeof bytes, 0), 0); /* no writer yet */

    int writer = open(path, O_WRONLY);
    assert_true(writer >= 0);
    assert_int_equal(write(writer, "1 2 3\n", 6), 6);
    assert_int_equal(transport_read(transport, bytes, sizeof bytes, PATIENCE_MS), 6);
    assert_int_equal(transport_write(transport, bytes, 1, 0), -ENOTSUP);
    close(writer);
    assert_int_equal(transport_read(transport, bytes, sizeof bytes, PATIENCE_MS), -ENODEV);
    transport_close(transport);
}

static void hang_up_on_close_as_asked(void **state) {
    struct bench *bench = *state;
    for (int keep = 0; keep < 2; keep++) {
        struct transport_settings asked = {.baud = 9600, .keep_modem_lines = keep == 1};
        struct transport *transport;
        struct termios terminal;
        assert_int_equal(transport_open(bench->node, &asked, &transport), 0);
        assert_int_equal(tcgetattr(bench->master, &terminal), 0); /* shows the other side's */
        assert_int_equal((terminal.c_cflag & HUPCL) == 0, keep);
        transport_close(transport);
    }
}

static void nothing_leaks_into_children(void **state) {
    struct bench *bench = *state;
    struct transport *transport = open_node(bench->node);
    int found = 0;
    DIR *entries = opendir("/proc/self/fd");
    assert_non_null(entries);
    for (const struct dirent *entry; (entry = readdir(entries)) != NULL;) {
        char target[256];
        ssize_t length = readlinkat(dirfd(entries), entry->d_name, target, sizeof target - 1);
        if (length < 0)
            continue;
        target[length] = '\0';
        if (strcmp(target, bench->node) != 0 && strstr(target, "eventfd") == NULL)
            continue;
        found++;
        assert_true((fcntl(atoi(entry->d_name), F_GETFD) & FD_CLOEXEC) != 0);
    }
    closedir(entries);
    assert_true(found >= 2); /* the port and its interruption */
    transport_close(transport);
    transport_close(NULL);
}

#define TEST(function) cmocka_unit_test_setup_teardown(function, set_up, tear_down)

int main(void) {
    const struct CMUnitTest tests[] = {
        TEST(every_byte_passes),
        TEST(old_input_is_flushed),
        TEST(silence_is_no_error),
        TEST(interruption_ends_a_wait),
        TEST(hang_up_comes_after_the_last_bytes),
        TEST(one_program_at_a_time),
        TEST(not_a_port),
        TEST(links_are_followed),
        TEST(writing_gives_up_in_time),
        TEST(fifo_carries_one_way),
        TEST(hang_up_on_close_as_asked),
        TEST(nothing_leaks_into_children),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
