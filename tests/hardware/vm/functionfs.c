// SPDX-License-Identifier: Apache-2.0
/*
 * functionfs.c - a USB function played by a program.
 */
#include "functionfs.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <unistd.h>

static const struct {
    struct usb_functionfs_strings_head head;
    uint16_t language;
    char text[9];
} __attribute__((packed))
strings = {{FUNCTIONFS_STRINGS_MAGIC, sizeof strings, 1, 1}, 0x409, "counting"};

int functionfs_open(const char *folder, int number) {
    char path[128];
    (void)snprintf(path, sizeof path, "%s/ep%d", folder, number);
    int descriptor = open(path, O_RDWR | O_CLOEXEC);
    if (descriptor < 0)
        perror(path);
    return descriptor;
}

int functionfs_begin(const char *folder, const void *descriptors, size_t size) {
    int control = functionfs_open(folder, 0);
    if (control < 0 ||
        (write(control, descriptors, size) >= 0 && write(control, &strings, sizeof strings) >= 0))
        return control;
    perror("functionfs: descriptors");
    close(control);
    return -1;
}

void functionfs_follow(int control, void (*take)(const struct usb_functionfs_event *event)) {
    for (;;) {
        struct usb_functionfs_event event;
        ssize_t length = read(control, &event, sizeof event);
        if (length == sizeof event)
            take(&event);
        else if (errno != EINTR)
            break;
    }
    perror("functionfs: events");
}

void functionfs_accept(int control) {
    char nothing;
    if (read(control, &nothing, 0) < 0)
        perror("functionfs: accept");
}

void functionfs_answer(int control, const struct usb_ctrlrequest *request, const uint8_t *bytes,
                       size_t count) {
    size_t wanted = request->wLength; /* the host's byte order is this machine's */
    if (write(control, bytes, count < wanted ? count : wanted) < 0)
        perror("functionfs: answer");
}

/* I/O in the wrong direction stalls the request. */
void functionfs_refuse(int control, const struct usb_ctrlrequest *request) {
    char nothing = 0;
    (void)!(request->bRequestType & USB_DIR_IN ? read(control, &nothing, 0)
                                               : write(control, &nothing, 0));
}
