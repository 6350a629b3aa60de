// SPDX-License-Identifier: Apache-2.0
/*
 * usb_handle.c - a USB device opened and claimed, and requests to it.
 *
 * The node is opened here and given to libusb: so every failure has its own errno, and libusb need
 * not look for devices, which without a running udev it cannot.
 *
 * While it is open the kernel keeps the device awake: no autosuspend.
 */
#include "usb_handle.h"

#include <errno.h>
#include <fcntl.h>
#include <string.h>
#include <unistd.h>

#define REQUEST_WAIT_MS 1000

int usb_handle_error(int result) {
    switch (result) {
    case LIBUSB_ERROR_ACCESS:
        return -EACCES;
    case LIBUSB_ERROR_NO_DEVICE:
        return -ENODEV;
    case LIBUSB_ERROR_NOT_FOUND:
        return -ENXIO;
    case LIBUSB_ERROR_BUSY:
        return -EBUSY;
    case LIBUSB_ERROR_TIMEOUT:
        return -ETIMEDOUT;
    case LIBUSB_ERROR_PIPE:
        return -EPROTO;
    case LIBUSB_ERROR_NO_MEM:
        return -ENOMEM;
    case LIBUSB_ERROR_INVALID_PARAM:
        return -EINVAL;
    case LIBUSB_ERROR_NOT_SUPPORTED:
        return -ENOTSUP;
    default:
        return result < 0 ? -EIO : result;
    }
}

/* The endpoint, where it is of the kind that is wanted, or NULL. */
static const struct libusb_endpoint_descriptor *
find_endpoint(const struct libusb_config_descriptor *config, const struct board_usb *where) {
    int kind = where->iso ? LIBUSB_TRANSFER_TYPE_ISOCHRONOUS : LIBUSB_TRANSFER_TYPE_BULK;
    for (int i = 0; i < config->bNumInterfaces; i++)
        for (int k = 0; k < config->interface[i].num_altsetting; k++) {
            const struct libusb_interface_descriptor *setting = &config->interface[i].altsetting[k];
            if (setting->bInterfaceNumber != where->interface ||
                setting->bAlternateSetting != where->alternate)
                continue;
            for (int e = 0; e < setting->bNumEndpoints; e++) {
                const struct libusb_endpoint_descriptor *endpoint = &setting->endpoint[e];
                if (endpoint->bEndpointAddress == where->endpoint &&
                    (endpoint->bmAttributes & LIBUSB_TRANSFER_TYPE_MASK) == kind &&
                    (endpoint->wMaxPacketSize & 0x7FF) != 0)
                    return endpoint;
            }
        }
    return NULL;
}

/*
 * Isochronous: every 2^(bInterval - 1) frames of 1 ms, or microframes of 125 us from high speed on
 * (USB 2.0 specification, 9.6.6), which may carry up to three packets each (bits 11 and 12 of
 * wMaxPacketSize).
 */
static void take_endpoint(struct usb_handle *usb, const struct libusb_endpoint_descriptor *endpoint,
                          bool iso) {
    usb->packet_size = endpoint->wMaxPacketSize & 0x7FF;
    if (!iso)
        return;
    bool high = libusb_get_device_speed(libusb_get_device(usb->handle)) >= LIBUSB_SPEED_HIGH;
    unsigned power = endpoint->bInterval > 0 ? (endpoint->bInterval - 1u) & 15u : 0;
    usb->packet_size *= 1u + (high ? endpoint->wMaxPacketSize >> 11 & 3u : 0u);
    usb->interval_s = (high ? 125e-6 : 1e-3) * (double)(1u << power);
}

static int read_endpoint(struct usb_handle *usb, const struct board_usb *where) {
    struct libusb_config_descriptor *config;
    int result = usb_handle_error(
        libusb_get_active_config_descriptor(libusb_get_device(usb->handle), &config));
    if (result < 0)
        return result;
    const struct libusb_endpoint_descriptor *endpoint = find_endpoint(config, where);
    if (endpoint != NULL)
        take_endpoint(usb, endpoint, where->iso);
    libusb_free_config_descriptor(config);
    return endpoint != NULL ? 0 : -ENXIO;
}

static int claim(struct usb_handle *usb, const struct board_usb *where) {
    (void)libusb_set_auto_detach_kernel_driver(usb->handle, 1);
    int result = usb_handle_error(libusb_claim_interface(usb->handle, where->interface));
    if (result < 0)
        return result;
    usb->claimed = where->interface + 1;
    if (where->alternate == 0)
        return 0;
    return usb_handle_error(
        libusb_set_interface_alt_setting(usb->handle, where->interface, where->alternate));
}

int usb_handle_open(struct usb_handle *usb, const char *node, const struct board_usb *where,
                    bool reset) {
    *usb = (struct usb_handle){.descriptor = open(node, O_RDWR | O_CLOEXEC)};
    if (usb->descriptor < 0)
        return -errno;
    /* For all contexts from now on; none of ours looks for devices. */
    (void)libusb_set_option(NULL, LIBUSB_OPTION_NO_DEVICE_DISCOVERY);
    int result = usb_handle_error(libusb_init(&usb->context));
    if (result == 0)
        result =
            usb_handle_error(libusb_wrap_sys_device(usb->context, usb->descriptor, &usb->handle));
    if (result == 0 && reset)
        result = libusb_reset_device(usb->handle) == 0 ? 0 : -ENODEV; /* it comes back anew */
    if (result == 0)
        result = read_endpoint(usb, where);
    if (result == 0)
        result = claim(usb, where);
    return result;
}

static int send_one(struct usb_handle *usb, const struct board_usb *where,
                    const struct board_request *request) {
    uint8_t data[BOARD_REQUEST_DATA_MAX]; /* libusb's prototypes take no const */
    memcpy(data, request->data, sizeof data);
    int sent = 0;
    if (request->control)
        return usb_handle_error(libusb_control_transfer(
            usb->handle, request->type, request->request, request->value, request->index, data,
            (uint16_t)request->count, REQUEST_WAIT_MS));
    return usb_handle_error(libusb_bulk_transfer(usb->handle, where->endpoint_out, data,
                                                 (int)request->count, &sent, REQUEST_WAIT_MS));
}

int usb_handle_send(struct usb_handle *usb, const struct board_usb *where,
                    const struct board_requests *requests) {
    for (size_t i = 0; requests != NULL && i < requests->count; i++) {
        int result = send_one(usb, where, &requests->request[i]);
        if (result < 0)
            return result == -ENODEV ? -ENODEV : -EPROTO;
    }
    return 0;
}

void usb_handle_close(struct usb_handle *usb) {
    if (usb->claimed != 0)
        (void)libusb_release_interface(usb->handle, usb->claimed - 1);
    if (usb->handle != NULL)
        libusb_close(usb->handle);
    if (usb->context != NULL)
        libusb_exit(usb->context);
    if (usb->descriptor >= 0)
        close(usb->descriptor);
}
