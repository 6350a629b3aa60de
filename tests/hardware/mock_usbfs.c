// SPDX-License-Identifier: Apache-2.0
/*
 * mock_usbfs.c - what every USB board played by umockdev answers and shows alike.
 */
#include "mock_usbfs.h"

#include <linux/usbdevice_fs.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

void mock_usbfs_answer(UMockdevIoctlClient *client, int error) {
    umockdev_ioctl_client_complete(client, error ? -1 : 0, error);
}

void mock_usbfs_fill(UMockdevIoctlClient *client, UMockdevIoctlData *arg, const void *bytes,
                     size_t count) {
    UMockdevIoctlData *data = umockdev_ioctl_data_resolve(arg, 0, count, NULL);
    memcpy(data->data, bytes, count);
    g_object_unref(data);
    mock_usbfs_answer(client, 0);
}

void mock_usbfs_control(UMockdevIoctlClient *client, UMockdevIoctlData *arg) {
    UMockdevIoctlData *data =
        umockdev_ioctl_data_resolve(arg, 0, sizeof(struct usbdevfs_ctrltransfer), NULL);
    struct usbdevfs_ctrltransfer *transfer = (struct usbdevfs_ctrltransfer *)(void *)data->data;
    UMockdevIoctlData *bytes = umockdev_ioctl_data_resolve(
        data, G_STRUCT_OFFSET(struct usbdevfs_ctrltransfer, data), transfer->wLength, NULL);
    bytes->data[0] = 1;
    g_object_unref(bytes);
    g_object_unref(data);
    umockdev_ioctl_client_complete(client, 1, 0);
}

void mock_usbfs_plug(UMockdevTestbed *testbed, const struct mock_usbfs_device *device) {
    GError *error = NULL;
    char text[1200], serial[64] = "";
    if (device->serial[0])
        snprintf(serial, sizeof serial, "A: serial=%s\\n\n", device->serial);
    snprintf(text, sizeof text,
             "P: %s\nN: bus/usb/001/%03u=%s\n"
             "E: SUBSYSTEM=usb\nE: DEVTYPE=usb_device\nE: BUSNUM=001\nE: DEVNUM=%03u\n"
             "A: busnum=1\\n\nA: devnum=%u\\n\nA: idVendor=%04x\\n\nA: idProduct=%04x\\n\n"
             "A: bDeviceClass=00\\n\nA: speed=480\\n\nA: product=%s\\n\n%s",
             device->path, device->number, device->descriptors, device->number, device->number,
             device->vendor, device->product, device->name, serial);
    if (!umockdev_testbed_add_from_string(testbed, text, &error)) {
        fprintf(stderr, "umockdev: %s\n", error->message);
        abort();
    }
}
