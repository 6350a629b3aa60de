// SPDX-License-Identifier: Apache-2.0
/*
 * sim_fault.c - the faults' names, and the contact that shaking opens.
 */
#include "sim_fault.h"

#include <string.h>

#define REST_S 0.2 /* a bad contact closes so long after the shaking ends */

enum sim_fault_kind sim_fault_from_name(const char *name) {
    static const char *const names[SIM_FAULTS] = {
        [SIM_FAULT_NONE] = "none",
        [SIM_FAULT_FEED_COLLAPSE] = "feed-collapse",
        [SIM_FAULT_SIGNAL_LOST] = "signal-lost",
        [SIM_FAULT_RETURN_RISE] = "return-rise",
        [SIM_FAULT_BATTERY_LOW] = "battery-low",
    };
    for (int kind = 0; kind < SIM_FAULTS; kind++) {
        if (strcmp(name, names[kind]) == 0)
            return (enum sim_fault_kind)kind;
    }
    return SIM_FAULTS;
}

void sim_contact_init(struct sim_contact *contact, bool bad, uint64_t seed) {
    *contact = (struct sim_contact){.random = sim_random_new(seed, 0), .bad = bad};
    contact->quiet_s = sim_random_between(&contact->random, 0.3, 0.5);
}

/* Bouncing begins; after it the contact is the other way round. */
static void begin_bounce(struct sim_contact *contact) {
    contact->settled_open = !contact->settled_open;
    contact->open = contact->settled_open;
    contact->bounce_s = sim_random_between(&contact->random, 0.015, 0.04);
    contact->flip_s = sim_random_between(&contact->random, 0.001, 0.005);
}

static void bounce(struct sim_contact *contact, double seconds) {
    contact->bounce_s -= seconds;
    contact->flip_s -= seconds;
    if (contact->flip_s <= 0.0) {
        contact->open = !contact->open;
        contact->flip_s = sim_random_between(&contact->random, 0.001, 0.005);
    }
    if (contact->bounce_s > 0.0)
        return;
    contact->open = contact->settled_open;
    /* It is open for longer than closed: an engine needs more than 0.3 s of signal to catch. */
    contact->quiet_s = contact->open ? sim_random_between(&contact->random, 0.5, 1.4)
                                     : sim_random_between(&contact->random, 0.08, 0.25);
}

void sim_contact_step(struct sim_contact *contact, bool shaking, double seconds) {
    if (!contact->bad || (!shaking && !contact->shaken))
        return;
    contact->shaken = true;
    contact->still_s = shaking ? 0.0 : contact->still_s + seconds;
    if (contact->still_s > REST_S) {
        contact->bad = false;
        contact->open = false;
        return;
    }
    if (contact->bounce_s > 0.0) {
        bounce(contact, seconds);
        return;
    }
    contact->quiet_s -= seconds;
    if (contact->quiet_s <= 0.0)
        begin_bounce(contact);
}
