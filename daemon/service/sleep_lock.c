// SPDX-License-Identifier: Apache-2.0
/*
 * sleep_lock.c - an inhibitor of the login manager (org.freedesktop.login1.Manager.Inhibit).
 */
#include "sleep_lock.h"

#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <systemd/sd-bus.h>
#include <unistd.h>

#define ANSWER_US 120000000ull
#define ASKED_MAX 10

struct sleep_lock {
    sd_bus *bus; /* while an answer is awaited */
    int asked;   /* how often: the login manager itself waits for others for 25 s, and gives up */
    int result;  /* what sleep_lock_look() says */
    int fd;      /* the lock lasts as long as it is open */
};

static int as_errno(const sd_bus_error *error) {
    if (sd_bus_error_has_name(error, SD_BUS_ERROR_SERVICE_UNKNOWN) ||
        sd_bus_error_has_name(error, SD_BUS_ERROR_NAME_HAS_NO_OWNER))
        return -ENOENT;
    if (sd_bus_error_has_name(error, SD_BUS_ERROR_ACCESS_DENIED) ||
        sd_bus_error_has_name(error, SD_BUS_ERROR_INTERACTIVE_AUTHORIZATION_REQUIRED))
        return -EACCES;
    return -sd_bus_error_get_errno(error);
}

static int on_answer(sd_bus_message *answer, void *context, sd_bus_error *error) {
    struct sleep_lock *lock = context;
    int fd = -1;
    (void)error;
    if (sd_bus_message_is_method_error(answer, NULL))
        lock->result = as_errno(sd_bus_message_get_error(answer));
    else
        lock->result = sd_bus_message_read(answer, "h", &fd);
    if (lock->result < 0)
        return 0;
    lock->fd = fcntl(fd, F_DUPFD_CLOEXEC, 3); /* the message's own goes with it */
    lock->result = lock->fd < 0 ? -errno : 0;
    return 0;
}

static int ask(struct sleep_lock *lock) {
    sd_bus_message *request = NULL;
    int result = sd_bus_message_new_method_call(lock->bus, &request, "org.freedesktop.login1",
                                                "/org/freedesktop/login1",
                                                "org.freedesktop.login1.Manager", "Inhibit");
    if (result >= 0)
        result = sd_bus_message_append(request, "ssss", "sleep:handle-lid-switch", "cranktrap",
                                       "watches a vehicle", "block");
    if (result >= 0)
        result = sd_bus_call_async(lock->bus, NULL, request, on_answer, lock, ANSWER_US);
    sd_bus_message_unref(request);
    return result;
}

static void end_waiting(struct sleep_lock *lock) {
    sd_bus_close_unref(lock->bus);
    lock->bus = NULL;
}

static void begin_waiting(struct sleep_lock *lock) {
    int result = sd_bus_open_system(&lock->bus);
    if (result >= 0)
        result = ask(lock);
    lock->asked++;
    lock->result = result < 0 ? result : -EINPROGRESS;
}

int sleep_lock_new(struct sleep_lock **lock) {
    struct sleep_lock *fresh = calloc(1, sizeof *fresh);
    if (!fresh)
        return -ENOMEM;
    fresh->fd = -1;
    begin_waiting(fresh);
    *lock = fresh;
    return 0;
}

int sleep_lock_look(struct sleep_lock *lock) {
    int result = lock->bus ? 1 : 0;
    while (result > 0 && lock->result == -EINPROGRESS)
        result = sd_bus_process(lock->bus, NULL);
    if (result < 0 && lock->result == -EINPROGRESS)
        lock->result = result;
    if (lock->result == -ECONNREFUSED || lock->result == -ENOTDIR)
        lock->result = -ENOENT; /* where its socket should be, nobody listens */
    if (lock->result != -EINPROGRESS)
        end_waiting(lock);
    if (lock->result == -ETIMEDOUT && lock->asked < ASKED_MAX)
        begin_waiting(lock);
    return lock->result;
}

void sleep_lock_free(struct sleep_lock *lock) {
    if (!lock)
        return;
    end_waiting(lock);
    if (lock->fd >= 0)
        close(lock->fd);
    free(lock);
}
