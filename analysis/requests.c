// SPDX-License-Identifier: Apache-2.0
/*
 * requests.c - excursions of the start line above its threshold.
 */
#include "requests.h"

#include "excursion.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>

#define SHORTEST_S       0.02 /* shorter is a spike on the line */
#define HYSTERESIS_SHARE 0.1  /* of the threshold */
#define MOST_REQUESTS    4096 /* a line that flutters for hours: the rest is not kept */

struct requests {
    size_t channel; /* CHANNEL_NONE: no such lead */
    size_t stream, input;
    struct excursion *line;
    size_t count;
    struct request *list;
    int error;
};

int requests_new(const struct vehicle *vehicle, struct requests **requests) {
    int result = -ENOMEM;
    struct requests *made = calloc(1, sizeof *made);
    if (made == NULL)
        return result;
    made->channel = vehicle_channel_by_role(vehicle, ROLE_START_REQUEST);
    if (made->channel != CHANNEL_NONE) {
        const struct vehicle_channel *of = &vehicle->channels[made->channel];
        double threshold = isnan(of->threshold) ? 0.5 * vehicle->system_volts : of->threshold;
        struct excursion_range range = {
            .low = -HUGE_VAL,
            .high = threshold,
            .hysteresis = HYSTERESIS_SHARE * threshold,
            .minimum_s = SHORTEST_S,
        };
        made->stream = of->stream;
        made->input = of->input;
        result = excursion_new(&of->scale, &range, &made->line);
        if (result != 0)
            goto failed;
    }
    *requests = made;
    return 0;

failed:
    requests_free(made);
    return result;
}

void requests_free(struct requests *requests) {
    if (requests == NULL)
        return;
    excursion_free(requests->line);
    free(requests->list);
    free(requests);
}

static void take_event(void *context, const struct excursion_event *event) {
    struct requests *requests = context;
    if (!event->begins) {
        if (requests->count > 0 && isnan(requests->list[requests->count - 1].to_s))
            requests->list[requests->count - 1].to_s = event->to_s; /* NAN: it may go on */
        return;
    }
    /* after a loss the same request may go on */
    if (requests->count > 0 && isnan(requests->list[requests->count - 1].to_s))
        return;
    if (requests->count == MOST_REQUESTS)
        return;
    struct request *list = realloc(requests->list, (requests->count + 1) * sizeof *requests->list);
    if (list == NULL) {
        requests->error = -ENOMEM;
        return;
    }
    requests->list = list;
    list[requests->count++] = (struct request){event->from_until_s, (double)NAN};
}

int requests_push(struct requests *requests, const struct record_run *run) {
    if (requests->channel == CHANNEL_NONE || run->stream != requests->stream ||
        requests->input >= run->inputs)
        return 0;
    if (run->after_loss)
        excursion_break(requests->line, take_event, requests);
    excursion_push(requests->line, run->counts[requests->input], run->scans, run->time_s,
                   run->period_s, take_event, requests);
    return requests->error;
}

int requests_finish(struct requests *requests, double to_s) {
    if (requests->count > 0 && isnan(requests->list[requests->count - 1].to_s))
        requests->list[requests->count - 1].to_s = to_s;
    return requests->error;
}

const struct request *requests_list(const struct requests *requests, size_t *count) {
    *count = requests->count;
    return requests->list;
}
