// SPDX-License-Identifier: Apache-2.0
/*
 * sleep_lock.c - an inhibitor of the login manager (org.freedesktop.login1.Manager.Inhibit).
 */
#include "sleep_lock.h"

#include <errno.h>
#include <fcntl.h>
#include <systemd/sd-bus.h>

#define ANSWER_US 2000000ull

static int as_errno(const sd_bus_error *error, int result) {
    if (sd_bus_error_has_name(error, SD_BUS_ERROR_SERVICE_UNKNOWN) ||
        sd_bus_error_has_name(error, SD_BUS_ERROR_NAME_HAS_NO_OWNER))
        return -ENOENT;
    if (sd_bus_error_has_name(error, SD_BUS_ERROR_ACCESS_DENIED) ||
        sd_bus_error_has_name(error, SD_BUS_ERROR_INTERACTIVE_AUTHORIZATION_REQUIRED))
        return -EACCES;
    return result;
}

static int ask(sd_bus *bus) {
    sd_bus_message *request = NULL, *answer = NULL;
    sd_bus_error error = SD_BUS_ERROR_NULL;
    int fd = -1;
    int result = sd_bus_message_new_method_call(bus, &request, "org.freedesktop.login1",
                                                "/org/freedesktop/login1",
                                                "org.freedesktop.login1.Manager", "Inhibit");
    if (result >= 0)
        result = sd_bus_message_append(request, "ssss", "sleep:handle-lid-switch", "cranktrap",
                                       "watches a vehicle", "block");
    if (result >= 0)
        result = sd_bus_call(bus, request, ANSWER_US, &error, &answer);
    if (result >= 0)
        result = sd_bus_message_read(answer, "h", &fd);
    if (result >= 0) /* the message's own goes with it */
        fd = fcntl(fd, F_DUPFD_CLOEXEC, 3);
    if (result >= 0 && fd < 0)
        result = -errno;
    if (result < 0)
        result = as_errno(&error, result);
    sd_bus_error_free(&error);
    sd_bus_message_unref(answer);
    sd_bus_message_unref(request);
    return result < 0 ? result : fd;
}

int sleep_lock_take(void) {
    sd_bus *bus = NULL;
    int result = sd_bus_open_system(&bus);
    if (result >= 0)
        result = ask(bus);
    sd_bus_flush_close_unref(bus);
    return result == -ECONNREFUSED || result == -ENOTDIR ? -ENOENT : result;
}
