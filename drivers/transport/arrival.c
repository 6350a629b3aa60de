// SPDX-License-Identifier: Apache-2.0
/*
 * arrival.c - waits for devices through udev's monitor.
 */
#include "arrival.h"

#include <errno.h>
#include <libudev.h>
#include <poll.h>
#include <stdlib.h>
#include <string.h>
#include <sys/eventfd.h>
#include <unistd.h>

struct arrival {
    struct udev *udev;            /* NULL: nobody tells; */
    struct udev_monitor *monitor; /*   then this is NULL too */
    int interruption;             /* eventfd */
};

/* A system without udev is no error: what it would have said is found by looking. */
static void listen(struct arrival *arrival) {
    arrival->udev = udev_new();
    if (arrival->udev != NULL)
        arrival->monitor = udev_monitor_new_from_netlink(arrival->udev, "udev");
    if (arrival->monitor == NULL)
        return;
    if (udev_monitor_filter_add_match_subsystem_devtype(arrival->monitor, "tty", NULL) < 0 ||
        udev_monitor_filter_add_match_subsystem_devtype(arrival->monitor, "usb", "usb_device") <
            0 ||
        udev_monitor_enable_receiving(arrival->monitor) < 0)
        arrival->monitor = udev_monitor_unref(arrival->monitor);
}

int arrival_new(struct arrival **arrival) {
    struct arrival *made = calloc(1, sizeof *made);
    if (made == NULL)
        return -ENOMEM;
    made->interruption = eventfd(0, EFD_CLOEXEC | EFD_NONBLOCK);
    if (made->interruption < 0) {
        int error = errno;
        free(made);
        return -error;
    }
    listen(made);
    *arrival = made;
    return 0;
}

/* Takes all that was told; true where something has come or changed. */
static bool take_news(struct arrival *arrival) {
    bool news = false;
    struct udev_device *device;
    while ((device = udev_monitor_receive_device(arrival->monitor)) != NULL) {
        const char *action = udev_device_get_action(device);
        news = news ||
               (action != NULL && (strcmp(action, "add") == 0 || strcmp(action, "change") == 0));
        udev_device_unref(device);
    }
    return news;
}

bool arrival_wait(struct arrival *arrival, int timeout_ms) {
    struct pollfd wait[2] = {{arrival->interruption, POLLIN, 0}, {-1, POLLIN, 0}};
    if (arrival->monitor != NULL)
        wait[1].fd = udev_monitor_get_fd(arrival->monitor);
    if (poll(wait, 2, timeout_ms) <= 0)
        return false;
    eventfd_t count;
    if (wait[0].revents != 0)
        (void)eventfd_read(arrival->interruption, &count);
    return wait[1].revents != 0 && take_news(arrival);
}

void arrival_interrupt(struct arrival *arrival) {
    (void)eventfd_write(arrival->interruption, 1);
}

void arrival_free(struct arrival *arrival) {
    if (arrival == NULL)
        return;
    if (arrival->monitor != NULL)
        udev_monitor_unref(arrival->monitor);
    if (arrival->udev != NULL)
        udev_unref(arrival->udev);
    close(arrival->interruption);
    free(arrival);
}
