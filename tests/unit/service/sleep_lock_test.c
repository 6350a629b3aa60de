// SPDX-License-Identifier: Apache-2.0
/*
 * sleep_lock_test.c - a login manager played on a bus of the test's own (dbus-daemon): what it is
 * asked, and what comes of its answers. Interface: org.freedesktop.login1(5), Inhibit().
 */
#include "sleep_lock.h"

#include "cmocka_helper.h"

#include <errno.h>
#include <poll.h>
#include <signal.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <systemd/sd-bus.h>
#include <unistd.h>

static const char configuration[] =
    "<!DOCTYPE busconfig PUBLIC \"-//freedesktop//DTD D-Bus Bus Configuration 1.0//EN\" "
    "\"http://www.freedesktop.org/standards/dbus/1.0/busconfig.dtd\">"
    "<busconfig><listen>unix:path=%s/bus</listen><auth>EXTERNAL</auth><policy context=\"default\">"
    "<allow send_destination=\"*\" eavesdrop=\"true\"/><allow eavesdrop=\"true\"/>"
    "<allow own=\"*\"/></policy></busconfig>";

struct station {
    char folder[64], address[128];
    pid_t daemon;
    sd_bus *bus; /* the login manager's end; NULL: there is none */
    bool refuses;
    int late; /* so many times it says that what it waits for does not answer */
    char asked[4][64];
    int pipe[2]; /* the lock is its writing end */
};

static int on_inhibit(sd_bus_message *request, void *context, sd_bus_error *error) {
    struct station *station = context;
    const char *word[4];
    assert_true(sd_bus_message_read(request, "ssss", &word[0], &word[1], &word[2], &word[3]) >= 0);
    for (int i = 0; i < 4; i++)
        snprintf(station->asked[i], sizeof station->asked[i], "%s", word[i]);
    if (station->late-- > 0)
        return sd_bus_error_set(error, SD_BUS_ERROR_NO_REPLY, "not yet");
    if (station->refuses)
        return sd_bus_error_set(error, SD_BUS_ERROR_ACCESS_DENIED, "no");
    return sd_bus_reply_method_return(request, "h", station->pipe[1]);
}

static const sd_bus_vtable manager[] = {
    SD_BUS_VTABLE_START(0),
    SD_BUS_METHOD("Inhibit", "ssss", "h", on_inhibit, SD_BUS_VTABLE_UNPRIVILEGED),
    SD_BUS_VTABLE_END,
};

static int start_bus(void **state) {
    struct station *station = calloc(1, sizeof *station);
    assert_non_null(station);
    strcpy(station->folder, "/tmp/sleep-lock-XXXXXX");
    assert_non_null(mkdtemp(station->folder));
    char path[96], option[128];
    snprintf(path, sizeof path, "%s/configuration", station->folder);
    snprintf(option, sizeof option, "--config-file=%s", path);
    FILE *file = fopen(path, "w");
    assert_non_null(file);
    fprintf(file, configuration, station->folder);
    fclose(file);
    snprintf(path, sizeof path, "%s/bus", station->folder);
    snprintf(station->address, sizeof station->address, "unix:path=%s", path);
    station->daemon = fork();
    if (station->daemon == 0) {
        execlp("dbus-daemon", "dbus-daemon", option, "--nofork", NULL);
        _exit(127);
    }
    for (int tries = 0; access(path, F_OK) < 0 && tries < 600; tries++)
        poll(NULL, 0, 50);
    assert_int_equal(access(path, F_OK), 0);
    setenv("DBUS_SYSTEM_BUS_ADDRESS", station->address, 1);
    *state = station;
    return 0;
}

static int stop_bus(void **state) {
    struct station *station = *state;
    sd_bus_flush_close_unref(station->bus);
    kill(station->daemon, SIGTERM);
    waitpid(station->daemon, NULL, 0);
    char path[96];
    snprintf(path, sizeof path, "%s/configuration", station->folder);
    unlink(path);
    snprintf(path, sizeof path, "%s/bus", station->folder);
    unlink(path);
    rmdir(station->folder);
    free(station);
    return 0;
}

static void start_manager(struct station *station, bool refuses) {
    station->refuses = refuses;
    assert_int_equal(pipe(station->pipe), 0);
    assert_true(sd_bus_open_system(&station->bus) >= 0);
    assert_true(sd_bus_add_object_vtable(station->bus, NULL, "/org/freedesktop/login1",
                                         "org.freedesktop.login1.Manager", manager, station) >= 0);
    assert_true(sd_bus_request_name(station->bus, "org.freedesktop.login1", 0) >= 0);
}

/* Looks until there is an answer, while the manager, where there is one, gives it. */
static int answer(struct station *station, struct sleep_lock *lock) {
    int result = -EINPROGRESS;
    for (int tries = 0; result == -EINPROGRESS && tries < 6000; tries++) {
        if (station->bus && sd_bus_process(station->bus, NULL) == 0)
            sd_bus_wait(station->bus, 10000);
        else if (!station->bus)
            poll(NULL, 0, 10);
        result = sleep_lock_look(lock);
    }
    return result;
}

static void it_holds_until_freed(void **state) {
    struct station *station = *state;
    struct sleep_lock *lock = NULL;
    start_manager(station, false);
    assert_int_equal(sleep_lock_new(&lock), 0);
    assert_int_equal(sleep_lock_look(lock), -EINPROGRESS); /* nobody has answered yet */
    assert_int_equal(answer(station, lock), 0);
    assert_string_equal(station->asked[0], "sleep:handle-lid-switch");
    assert_string_equal(station->asked[1], "cranktrap");
    assert_string_equal(station->asked[3], "block");
    close(station->pipe[1]);
    while (sd_bus_process(station->bus, NULL) > 0) { /* the answer's own copy goes, too */
    }
    struct pollfd other_end = {.fd = station->pipe[0], .events = POLLIN};
    assert_int_equal(poll(&other_end, 1, 100), 0); /* held */
    assert_int_equal(sleep_lock_look(lock), 0);
    sleep_lock_free(lock);
    assert_int_equal(poll(&other_end, 1, 10000), 1); /* let go: the last writer has closed */
    close(station->pipe[0]);
}

static void a_refusal_is_told(void **state) {
    struct station *station = *state;
    struct sleep_lock *lock = NULL;
    start_manager(station, true);
    assert_int_equal(sleep_lock_new(&lock), 0);
    assert_int_equal(answer(station, lock), -EACCES);
    assert_int_equal(sleep_lock_look(lock), -EACCES);
    sleep_lock_free(lock);
    close(station->pipe[0]);
    close(station->pipe[1]);
}

/* Just after a boot. */
static void it_is_asked_again(void **state) {
    struct station *station = *state;
    struct sleep_lock *lock = NULL;
    start_manager(station, false);
    station->late = 3;
    assert_int_equal(sleep_lock_new(&lock), 0);
    assert_int_equal(answer(station, lock), 0);
    assert_int_equal(station->late, -1); /* four times */
    sleep_lock_free(lock);
    close(station->pipe[0]);
    close(station->pipe[1]);
}

static void an_end_before_the_answer(void **state) {
    struct station *station = *state;
    struct sleep_lock *lock = NULL;
    start_manager(station, false);
    assert_int_equal(sleep_lock_new(&lock), 0);
    assert_int_equal(sleep_lock_look(lock), -EINPROGRESS);
    sleep_lock_free(lock);
    close(station->pipe[0]);
    close(station->pipe[1]);
}

static void without_a_login_manager(void **state) {
    struct station *station = *state;
    struct sleep_lock *lock = NULL;
    assert_int_equal(sleep_lock_new(&lock), 0);
    assert_int_equal(answer(station, lock), -ENOENT);
    sleep_lock_free(lock);
}

static void without_a_bus(void **state) {
    (void)state;
    struct sleep_lock *lock = NULL;
    setenv("DBUS_SYSTEM_BUS_ADDRESS", "unix:path=/nowhere/at/all", 1);
    assert_int_equal(sleep_lock_new(&lock), 0);
    assert_int_equal(sleep_lock_look(lock), -ENOENT);
    sleep_lock_free(lock);
    sleep_lock_free(NULL);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(it_holds_until_freed, start_bus, stop_bus),
        cmocka_unit_test_setup_teardown(a_refusal_is_told, start_bus, stop_bus),
        cmocka_unit_test_setup_teardown(it_is_asked_again, start_bus, stop_bus),
        cmocka_unit_test_setup_teardown(an_end_before_the_answer, start_bus, stop_bus),
        cmocka_unit_test_setup_teardown(without_a_login_manager, start_bus, stop_bus),
        cmocka_unit_test(without_a_bus),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
