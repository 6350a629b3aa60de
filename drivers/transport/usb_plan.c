// SPDX-License-Identifier: Apache-2.0
/*
 * usb_plan.c - how many transfers of what length keep a USB board flowing.
 */
#include "usb_plan.h"

#define QUEUED_S        0.1
#define QUEUED_MAX      (4u << 20)
#define TRANSFERS_FEW   8
#define TRANSFERS_MANY  16
#define ISO_PACKETS_MAX 128         /* of one transfer: the kernel's limit */
#define LENGTH_BIG      (64u << 10) /* from here on rather more transfers than longer ones */

static size_t whole_packets(double bytes, size_t packet_size) {
    size_t packets = (size_t)(bytes / (double)packet_size);
    if ((double)packets * (double)packet_size < bytes)
        packets++;
    return (packets ? packets : 1) * packet_size;
}

struct usb_plan usb_plan_for(double bytes_per_s, size_t packet_size) {
    double queued = bytes_per_s * QUEUED_S;
    if (!(queued < QUEUED_MAX))
        queued = QUEUED_MAX;
    struct usb_plan plan = {TRANSFERS_FEW, whole_packets(queued / TRANSFERS_FEW, packet_size)};
    if (plan.length > LENGTH_BIG)
        plan =
            (struct usb_plan){TRANSFERS_MANY, whole_packets(queued / TRANSFERS_MANY, packet_size)};
    while (plan.transfers * plan.length > QUEUED_MAX && plan.length > packet_size)
        plan.length -= packet_size;
    return plan;
}

struct usb_plan usb_plan_iso(double interval_s, size_t packet_size) {
    double packets = QUEUED_S / TRANSFERS_FEW / interval_s;
    if (packets > ISO_PACKETS_MAX)
        packets = ISO_PACKETS_MAX;
    return (struct usb_plan){TRANSFERS_FEW,
                             packets < 1 ? packet_size : (size_t)packets * packet_size};
}

bool usb_plan_halve(struct usb_plan *plan, size_t packet_size) {
    if (plan->length <= packet_size)
        return false;
    plan->length = plan->length / packet_size / 2 * packet_size;
    return true;
}
