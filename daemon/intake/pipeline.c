// SPDX-License-Identifier: Apache-2.0
/*
 * pipeline.c - takes scans, losses and notes from a driver; keeps count, epoch and time; tells the
 * tap and fills blocks.
 */
#include "pipeline.h"

#include "wall_date.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* ---- blocks and the tap ---- */

static double block_seconds(const struct pipeline *pipeline) {
    const struct intake *intake = pipeline->owner->intake;
    return atomic_load(&intake->urgent) ? intake->settings.urgent_block_s
                                        : intake->settings.block_s;
}

/* A board that drives the time may send an hour in a second: its blocks close by scan time. */
static size_t block_limit(const struct pipeline *pipeline) {
    if (!pipeline->driven)
        return SIZE_MAX;
    double scans = block_seconds(pipeline) * intake_clock_rate(pipeline->clock);
    return scans < 1.0 ? 1 : scans > 1e9 ? SIZE_MAX : (size_t)scans;
}

void pipeline_tell(struct pipeline *pipeline) {
    struct intake *intake = pipeline->owner->intake;
    struct block_builder *builder = pipeline->builder;
    size_t scans = block_builder_scans(builder) - pipeline->told;
    if (scans == 0)
        return;
    /* A poll board's scans are here when its driver hands them over. */
    if (pipeline->owner->byte_ring == NULL && !pipeline->driven)
        pipeline->arrival_ns = timebase_elapsed_ns(intake->timebase);
    intake_clock_arrived(pipeline->clock, block_builder_next(builder), pipeline->arrival_ns);

    uint64_t first = block_builder_first(builder) + pipeline->told;
    const struct record_run run = {
        .stream = pipeline->owner->index,
        .inputs = pipeline->description.inputs,
        .scans = scans,
        .time_s = (double)intake_clock_time(pipeline->clock, first) / 1e9,
        .period_s = 1.0 / intake_clock_rate(pipeline->clock),
        .after_loss = pipeline->after_loss,
        .counts = block_builder_counts(builder, pipeline->told),
    };
    pipeline->told += scans;
    pipeline->after_loss = false;
    pipeline->counters.last_scan_ns =
        intake_clock_time(pipeline->clock, block_builder_next(builder) - 1);
    if (intake->tap.run == NULL)
        return;
    pthread_rwlock_rdlock(&intake->fitting);
    intake->tap.run(intake->tap.context, &run);
    pthread_rwlock_unlock(&intake->fitting);
}

/* A quarter of the byte ring's second: coding faster now, it does not come to a loss. */
static bool bytes_wait(const struct intake_board *board) {
    return board->byte_ring != NULL &&
           byte_ring_fill(board->byte_ring) > byte_ring_size(board->byte_ring) / 4;
}

void pipeline_close_block(struct pipeline *pipeline) {
    uint64_t scans = block_builder_scans(pipeline->builder);
    pipeline_tell(pipeline);
    block_builder_hurry(pipeline->builder, bytes_wait(pipeline->owner));
    if (scans > 0 && block_builder_close(pipeline->builder, pipeline->clock) < 0) {
        pipeline->counters.scans_lost += scans;
        pipeline->counters.losses[BOARD_LOSS_LATE] += scans;
    }
    pipeline->told = 0;
}

/* ---- losses and epochs ---- */

static void lose(struct pipeline *pipeline, uint64_t scans, const char *reason) {
    struct intake *intake = pipeline->owner->intake;
    pipeline_close_block(pipeline);
    block_builder_lose(pipeline->builder, pipeline->clock, scans, reason);
    pipeline->after_loss = true;
    if (scans == RECORD_LOSS_UNKNOWN) {
        pipeline->counters.losses_unknown++;
        pipeline->epoch_open = false; /* nobody knows the next scan's number */
    } else {
        pipeline->counters.scans_lost += scans;
    }
    if (intake->tap.loss == NULL)
        return;
    pthread_rwlock_rdlock(&intake->fitting);
    intake->tap.loss(intake->tap.context, pipeline->owner->index, scans, reason);
    pthread_rwlock_unlock(&intake->fitting);
}

/* A burst board's pause: as little is known of it as of a loss, but nothing went wrong. */
static void pass_over(struct pipeline *pipeline, uint64_t scans) {
    pipeline_close_block(pipeline);
    block_builder_lose(pipeline->builder, pipeline->clock, scans,
                       board_loss_name(BOARD_LOSS_DEAD_TIME));
    pipeline->after_loss = true;
    pipeline->counters.pauses++;
    pipeline->counters.scans_in_pauses += scans;
}

void pipeline_break_off(struct pipeline *pipeline, const char *reason) {
    pipeline->overflowed = false;
    pipeline->streaming = false;
    if (pipeline->epoch_open)
        lose(pipeline, RECORD_LOSS_UNKNOWN, reason);
}

static void begin_epoch(struct pipeline *pipeline) {
    pipeline->counters.epoch = pipeline->next_epoch++;
    pipeline->epoch_open = true;
    block_builder_begin_epoch(pipeline->builder, pipeline->counters.epoch);
    intake_clock_restart(pipeline->clock);
    if (pipeline->driven) /* the time it told last is that of the scan that comes next */
        intake_clock_exact(pipeline->clock, 0,
                           timebase_elapsed_ns(pipeline->owner->intake->timebase));
}

/* ---- description ---- */

static void refuse(struct pipeline *pipeline, const char *why) {
    pipeline->refused = true;
    pipeline->described = false;
    intake_board_say(pipeline->owner, INTAKE_REFUSED, "%s", why);
}

/* Fits the hookup; its first problem as a sentence in `why`. */
static int fit_hookup(struct pipeline *pipeline, const struct board_description *description,
                      char *why, size_t size) {
    struct intake *intake = pipeline->owner->intake;
    struct problems problems = {0};
    pthread_rwlock_wrlock(&intake->fitting);
    int result = hookup_fit_board(intake->hookup, pipeline->owner->index, description, &problems);
    pthread_rwlock_unlock(&intake->fitting);
    if (result < 0 && problems.count > 0) {
        const struct problem *first = &problems.problem[0];
        (void)snprintf(why, size, "the board contradicts the hookup: %s%s%s",
                       first->where != NULL ? first->where : "", first->where != NULL ? ": " : "",
                       first->text);
    } else if (result < 0) {
        (void)snprintf(why, size, "the hookup cannot be fitted to it: %s", strerror(-result));
    }
    problems_clear(&problems);
    return result;
}

/* Makes clock and builder anew for another kind of scan. */
static int prepare(struct pipeline *pipeline, const struct board_description *description) {
    double claimed = description->rate_hz;
    if (!(claimed > 0.0))
        claimed = pipeline->owner->hookup->rate_hz;
    struct intake_clock *clock;
    int result = intake_clock_new(claimed, &clock);
    if (result == 0)
        result = block_builder_set_inputs(pipeline->builder, description->inputs);
    if (result < 0)
        return result;
    intake_clock_free(pipeline->clock);
    pipeline->clock = clock;
    pipeline->counters.claimed_hz = claimed > 0.0 ? claimed : 0.0;
    pipeline->description = *description;
    memory_ring_expect(pipeline->owner->intake->memory, (uint16_t)pipeline->owner->index,
                       intake_bytes_per_s(description->inputs, description->bits, claimed));
    return 0;
}

int pipeline_describe(struct pipeline *pipeline) {
    struct intake *intake = pipeline->owner->intake;
    struct board_description description;
    char why[224];
    memset(&description, 0, sizeof description); /* so that padding compares as equal */
    int result = pipeline->driver->describe(pipeline->board, &description);
    if (result < 0)
        return result;
    if (pipeline->described &&
        memcmp(&description, &pipeline->description, sizeof description) == 0)
        return 0;

    /* Another kind of scan: the old ones end here, and nothing is lost between. */
    if (pipeline->described)
        pipeline_close_block(pipeline);
    pipeline->described = false;
    pipeline->epoch_open = false;
    result = -EINVAL;
    if (description.inputs < 1 || description.inputs > BOARD_INPUTS_MAX)
        (void)snprintf(why, sizeof why, "the board says that it has %zu inputs: 1 to %d can be",
                       description.inputs, BOARD_INPUTS_MAX);
    else
        result = fit_hookup(pipeline, &description, why, sizeof why);
    if (result == 0) {
        result = prepare(pipeline, &description);
        (void)snprintf(why, sizeof why, "out of memory for %zu inputs", description.inputs);
    }
    if (result < 0) {
        refuse(pipeline, why);
        return result;
    }
    pipeline->described = true;
    pipeline->streaming = false;
    pthread_mutex_lock(&pipeline->owner->mutex);
    pipeline->owner->description = description;
    pthread_mutex_unlock(&pipeline->owner->mutex);
    if (intake->tap.described != NULL)
        intake->tap.described(intake->tap.context, pipeline->owner->index, &pipeline->description);
    return 0;
}

/* ---- the driver's sinks ---- */

static void say_streaming(struct pipeline *pipeline) {
    const struct board_description *description = &pipeline->description;
    const char *identity = description->identity;
    if (atomic_exchange(&pipeline->owner->ever_streamed, true) &&
        !atomic_load(&pipeline->owner->streaming))
        pipeline->counters.reconnects++;
    atomic_store(&pipeline->owner->streaming, true);
    pipeline->streaming = true;
    if (pipeline->counters.claimed_hz > 0.0)
        intake_board_say(pipeline->owner, INTAKE_STREAMING, "streaming %zu inputs, %g scans/s%s%s",
                         description->inputs, pipeline->counters.claimed_hz,
                         identity[0] != '\0' ? ": " : "", identity);
    else
        intake_board_say(pipeline->owner, INTAKE_STREAMING, "streaming %zu inputs%s%s",
                         description->inputs, identity[0] != '\0' ? ": " : "", identity);
}

static void take_samples(void *context, const int32_t *counts, size_t scans) {
    struct pipeline *pipeline = context;
    pipeline->made_sense = true;
    if (!pipeline->described || scans == 0)
        return; /* nothing is known of them, not even how many inputs they have */
    pipeline->had_scans = true;
    if (pipeline->overflowed) /* and no counter on the wire has told how many */
        pipeline_break_off(pipeline, board_loss_name(BOARD_LOSS_LATE));
    if (!pipeline->epoch_open)
        begin_epoch(pipeline);
    if (!pipeline->streaming)
        say_streaming(pipeline);

    pipeline->counters.scans += scans;
    while (scans > 0) {
        size_t limit = block_limit(pipeline);
        if (block_builder_scans(pipeline->builder) == 0)
            pipeline->opened_ns = timebase_elapsed_ns(pipeline->owner->intake->timebase);
        size_t taken = block_builder_append(pipeline->builder, counts, scans, limit);
        counts += taken * pipeline->description.inputs;
        scans -= taken;
        if (scans > 0 || block_builder_scans(pipeline->builder) >= limit)
            pipeline_close_block(pipeline);
    }
}

/*
 * Bytes were dropped in this computer, and the driver, which cannot know, tells a loss. By a
 * counter on the wire it tells them all; without one it just saw one torn line. Which it is shows
 * by the bytes that so many scans are.
 */
static bool covers_hole(const struct pipeline *pipeline, uint64_t scans) {
    const struct intake_board *owner = pipeline->owner;
    double dropped = (double)atomic_load(&owner->bytes_dropped);
    double hole = dropped - (double)pipeline->dropped_before;
    double bytes_per_scan =
        ((double)atomic_load(&owner->bytes) - dropped) / (double)pipeline->counters.scans;
    return (double)scans * bytes_per_scan >= hole / 2.0;
}

static void take_loss(void *context, enum board_loss reason, uint64_t scans) {
    struct pipeline *pipeline = context;
    /* Before an epoch's first scan nothing is missed: one joins a stream that runs. */
    if (!pipeline->described || !pipeline->epoch_open || scans == 0)
        return;
    if (pipeline->overflowed && !covers_hole(pipeline, scans))
        scans = BOARD_LOSS_UNKNOWN;
    if (reason == BOARD_LOSS_RESTARTED)
        scans = BOARD_LOSS_UNKNOWN;
    pipeline->overflowed = false;
    if (reason == BOARD_LOSS_DEAD_TIME) {
        pass_over(pipeline, scans);
        return;
    }
    if (scans != BOARD_LOSS_UNKNOWN)
        pipeline->counters.losses[reason] += scans;
    lose(pipeline, scans, board_loss_name(reason));
}

/* A simulated board tells its time, and from the first time on everybody's. */
static void take_time(struct pipeline *pipeline, int64_t since_start_ns) {
    struct timebase *timebase = pipeline->owner->intake->timebase;
    if (!pipeline->driven) {
        int64_t wall_ns = 0;
        const char *begins =
            board_setting_text(pipeline->driver, &pipeline->owner->hookup->settings, "begins");
        if (begins != NULL)
            (void)wall_date_parse(begins, &wall_ns);
        pipeline->drive_start = timebase_take_over(timebase, wall_ns);
        pipeline->driven = true;
    }
    timebase_drive(timebase, since_start_ns);
    if (!pipeline->epoch_open)
        return;
    intake_clock_exact(pipeline->clock, block_builder_next(pipeline->builder),
                       pipeline->drive_start + since_start_ns);
    pipeline_tell(pipeline);
}

static void take_note(void *context, enum board_note note, int64_t value) {
    struct pipeline *pipeline = context;
    pipeline->made_sense = true;
    if (note == BOARD_NOTE_DESCRIBED && !pipeline->refused)
        (void)pipeline_describe(pipeline);
    else if (note == BOARD_NOTE_TIME && pipeline->clock != NULL)
        take_time(pipeline, value);
}

/* ---- life ---- */

int pipeline_new(struct intake_board *owner, struct pipeline **pipeline) {
    struct pipeline *made = calloc(1, sizeof *made);
    if (made == NULL)
        return -ENOMEM;
    const struct board_sinks sinks = {made, take_samples, take_loss, take_note};
    made->owner = owner;
    made->driver = owner->hookup->driver;
    made->next_epoch = owner->intake->settings.first_epoch;
    int result = block_builder_new((uint16_t)owner->index, owner->intake->memory,
                                   owner->intake->timebase, &made->builder);
    if (result < 0) {
        pipeline_free(made);
        return result;
    }
    result = made->driver->open(&owner->hookup->settings, &sinks, &made->board, made->refusal,
                                sizeof made->refusal);
    if (result < 0 && made->refusal[0] == '\0')
        (void)snprintf(made->refusal, sizeof made->refusal, "driver %s cannot begin: %s",
                       made->driver->name, strerror(-result));
    *pipeline = made;
    return 0;
}

void pipeline_free(struct pipeline *pipeline) {
    if (pipeline == NULL)
        return;
    pipeline->driver->close(pipeline->board);
    intake_clock_free(pipeline->clock);
    block_builder_free(pipeline->builder);
    free(pipeline);
}

static void show_counters(struct pipeline *pipeline) {
    struct intake_board *owner = pipeline->owner;
    struct intake_status *counters = &pipeline->counters;
    if (pipeline->epoch_open) {
        counters->rate_hz = intake_clock_rate(pipeline->clock);
        counters->ppm = intake_clock_ppm(pipeline->clock);
        counters->clock_error_ns = intake_clock_error_ns(pipeline->clock);
    }
    pthread_mutex_lock(&owner->mutex);
    block_builder_count(pipeline->builder, &counters->blocks, &counters->blocks_fast);
    counters->board = owner->status.board;
    counters->state = owner->status.state;
    memcpy(counters->why, owner->status.why, sizeof counters->why);
    owner->status = *counters;
    pthread_mutex_unlock(&owner->mutex);
}

/* The same board, calibrated otherwise: its counts go on, only what they mean is another. */
static void refit(struct pipeline *pipeline) {
    struct intake *intake = pipeline->owner->intake;
    char why[224];
    if (!pipeline->described)
        return; /* it will be fitted with them once it is */
    pipeline_tell(pipeline);
    if (fit_hookup(pipeline, &pipeline->description, why, sizeof why) == 0 &&
        intake->tap.described != NULL)
        intake->tap.described(intake->tap.context, pipeline->owner->index, &pipeline->description);
}

void pipeline_tick(struct pipeline *pipeline) {
    struct intake_board *owner = pipeline->owner;
    atomic_fetch_add(&owner->rounds, 1);
    if (atomic_exchange(&owner->refit, false))
        refit(pipeline);
    if (!pipeline->driven && block_builder_scans(pipeline->builder) > 0) {
        int64_t now = timebase_elapsed_ns(owner->intake->timebase);
        if ((double)(now - pipeline->opened_ns) >= block_seconds(pipeline) * 1e9)
            pipeline_close_block(pipeline);
    }
    uint64_t wanted = atomic_load(&owner->flush_wanted);
    if (wanted != owner->flush_done) { /* only this thread changes it */
        pipeline_close_block(pipeline);
        pthread_mutex_lock(&owner->mutex);
        owner->flush_done = wanted;
        pthread_cond_broadcast(&owner->changed);
        pthread_mutex_unlock(&owner->mutex);
    }
    show_counters(pipeline);
}

void pipeline_finish(struct pipeline *pipeline) {
    struct intake_board *owner = pipeline->owner;
    pipeline_close_block(pipeline);
    show_counters(pipeline);
    pthread_mutex_lock(&owner->mutex);
    owner->finished = true;
    pthread_cond_broadcast(&owner->changed);
    pthread_mutex_unlock(&owner->mutex);
}
