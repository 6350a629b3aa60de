// SPDX-License-Identifier: Apache-2.0
/*
 * hookup_live.c - runs a board and keeps a half second of every input.
 */
#include "hookup_live.h"

#include "monotonic.h"
#include "watch_level.h"

#include <errno.h>
#include <math.h>
#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define MEMORY_BYTES (1U << 20)
#define RATE_SCANS   20 /* fewer do not tell a rate */
#define FRESH_S      1.0
#define RATE_LEAST_S 1.0

struct hookup_live {
    struct hookup *hookup;
    struct timebase *timebase;
    struct memory_ring *memory;
    struct intake *intake;

    pthread_mutex_t mutex; /* guards the rest: intake's threads write it */
    bool described;
    struct board_description description;
    struct watch_level level[BOARD_INPUTS_MAX];
    double first_s, newest_s; /* elapsed times of scans */
    uint64_t scans;           /* since first_s */
    double came_s;            /* when the newest came, by (double)monotonic_ns() * 1e-9 */
};

static void on_described(void *context, size_t board, const struct board_description *description) {
    struct hookup_live *live = context;
    (void)board;
    pthread_mutex_lock(&live->mutex);
    live->described = true;
    live->description = *description;
    for (size_t i = 0; i < description->inputs; i++) {
        double step = description->volts_per_count[i];
        struct scale scale = isfinite(step) ? scale_line(step, -description->zero_counts[i] * step)
                                            : scale_line(1, 0);
        watch_level_init(&live->level[i], &scale, true);
    }
    live->scans = 0;
    pthread_mutex_unlock(&live->mutex);
}

static void on_run(void *context, const struct record_run *run) {
    struct hookup_live *live = context;
    pthread_mutex_lock(&live->mutex);
    for (size_t i = 0; i < run->inputs && i < BOARD_INPUTS_MAX; i++)
        watch_level_push(&live->level[i], run->counts[i], run->scans, run->period_s);
    if (live->scans == 0)
        live->first_s = run->time_s;
    live->scans += run->scans;
    live->came_s = (double)monotonic_ns() * 1e-9;
    live->newest_s = run->time_s + (double)run->scans * run->period_s;
    pthread_mutex_unlock(&live->mutex);
}

static int start(struct hookup_live *live) {
    const struct intake_tap tap = {.context = live, .run = on_run, .described = on_described};
    const struct intake_settings settings = {
        .block_s = 1, .urgent_block_s = 1, .first_epoch = 1, .byte_ring_s = 1};
    int result = timebase_new(&live->timebase);
    if (result == 0)
        result = memory_ring_new(MEMORY_BYTES, &live->memory);
    if (result == 0)
        result =
            intake_new(live->hookup, live->memory, live->timebase, &tap, &settings, &live->intake);
    return result < 0 ? result : intake_start(live->intake);
}

int hookup_live_open(const char *section, struct hookup_live **live, struct problems *problems) {
    char *text = NULL;
    struct hookup_live *made = calloc(1, sizeof *made);
    if (!made)
        return -ENOMEM;
    pthread_mutex_init(&made->mutex, NULL);
    /* A hookup has a channel at least; any stands for all, for a run holds every input. */
    int result = asprintf(&text,
                          "[board logger]\n%s[channel any]\nboard = logger\ninput = 0\n"
                          "role = other\nvolts-per-count = 1\n",
                          section) < 0
                     ? -ENOMEM
                     : 0;
    if (result == 0) {
        result = hookup_parse_live(text, strlen(text), &made->hookup, problems);
        free(text);
    }
    if (result == 0)
        result = start(made);
    if (result < 0) {
        hookup_live_close(made);
        return result;
    }
    *live = made;
    return 0;
}

void hookup_live_close(struct hookup_live *live) {
    if (!live)
        return;
    intake_free(live->intake);
    memory_ring_free(live->memory);
    timebase_free(live->timebase);
    hookup_free(live->hookup);
    pthread_mutex_destroy(&live->mutex);
    free(live);
}

/* Nothing is kept of what was coded. */
static void drain(struct hookup_live *live) {
    struct chunk chunk;
    while (memory_ring_take(live->memory, &chunk, 0))
        chunk_done(&chunk);
}

void hookup_live_status(struct hookup_live *live, struct intake_status *status) {
    drain(live);
    intake_status(live->intake, 0, status);
}

bool hookup_live_described(struct hookup_live *live, struct board_description *description) {
    pthread_mutex_lock(&live->mutex);
    bool described = live->described;
    if (described)
        *description = live->description;
    pthread_mutex_unlock(&live->mutex);
    return described;
}

double hookup_live_rate(struct hookup_live *live) {
    struct intake_status status;
    hookup_live_status(live, &status);
    pthread_mutex_lock(&live->mutex);
    double length_s = live->newest_s - live->first_s;
    double rate =
        live->scans >= RATE_SCANS && length_s >= RATE_LEAST_S ? (double)live->scans / length_s : 0;
    pthread_mutex_unlock(&live->mutex);
    return rate;
}

bool hookup_live_read(struct hookup_live *live, size_t input, struct watch_reading *reading) {
    drain(live);
    pthread_mutex_lock(&live->mutex);
    bool known = live->described && input < live->description.inputs && live->scans > 0;
    if (known) {
        watch_level_read(&live->level[input], reading);
        reading->fresh = (double)monotonic_ns() * 1e-9 - live->came_s < FRESH_S;
    }
    pthread_mutex_unlock(&live->mutex);
    return known && isfinite(reading->average);
}
