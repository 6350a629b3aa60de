// SPDX-License-Identifier: Apache-2.0
/*
 * pipeline_stream.c - the pipeline thread of a stream board: bytes from the ring to the driver,
 * barriers, and what to think of bytes that make no sense.
 */
#include "board_file.h"
#include "board_port.h"
#include "monotonic.h"
#include "pipeline.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define SECOND_NS      1000000000ll
#define WAIT_MS        100 /* for bytes; also how exactly blocks close while none come */
#define NONSENSE_NS    (3 * SECOND_NS)
#define NONSENSE_BYTES 32 /* fewer may be noise of a plug going in */
#define TEXT_PERCENT   95
#define AGAIN_NS       SECOND_NS
#define NO_SCANS_NS    (2 * SECOND_NS)
#define READ_BYTES     65536 /* at least WRITE_BYTES_MAX */

struct stream {
    struct pipeline *pipeline;
    struct intake_board *owner;
    uint8_t *bytes;
    bool connected;
    uint64_t bytes_without_sense, text_without_sense; /* of them, those that can be printed */
    uint64_t dropped_seen;                            /* bytes dropped up to the last overflow */
    int64_t sense_ns, scans_ns, again_ns;             /* when last; CLOCK_MONOTONIC */
};

/* What else may not fit than how fast the bits come. */
static void list_options(const struct hookup_board *board, char *text, size_t size) {
    const struct board_driver *driver = board->driver;
    if (board->settings.file != NULL) {
        snprintf(text, size, "mend its board file");
        return;
    }
    size_t used = (size_t)snprintf(text, size, "look at its");
    bool first = true;
    for (const struct board_option *option = driver->options; option && option->name; option++) {
        if (strcmp(option->name, "baud") == 0 || strcmp(option->name, "rate") == 0 || used >= size)
            continue;
        used += (size_t)snprintf(text + used, size - used, "%s %s", first ? "" : ",", option->name);
        first = false;
    }
    if (first)
        snprintf(text, size, "try another driver");
}

/* So many bytes that can be printed do not come by chance: the baud rate is right. */
static bool is_text(const struct stream *stream) {
    return stream->text_without_sense * 100 >= stream->bytes_without_sense * TEXT_PERCENT;
}

static uint64_t count_text(const uint8_t *bytes, size_t count) {
    uint64_t text = 0;
    for (size_t i = 0; i < count; i++)
        text += (bytes[i] >= ' ' && bytes[i] <= '~') || bytes[i] == '\r' || bytes[i] == '\n' ||
                bytes[i] == '\t';
    return text;
}

static void say_nonsense(struct stream *stream) {
    if (stream->owner->hookup->driver->bus == BOARD_USB) {
        intake_board_say(stream->owner, INTAKE_NONSENSE,
                         "bytes arrive, none make sense: [packet] of its board file does not fit "
                         "what the board sends");
        return;
    }
    char more[96];
    list_options(stream->owner->hookup, more, sizeof more);
    if (is_text(stream)) {
        intake_board_say(stream->owner, INTAKE_NONSENSE,
                         "text arrives, but not the scans that are expected: %s; `cranktrap boards "
                         "--try` shows what comes",
                         more);
        return;
    }
    static const unsigned usual[] = {9600,   19200,  38400,  57600,  115200,
                                     230400, 460800, 921600, 1000000};
    const struct hookup_board *hookup = stream->owner->hookup;
    unsigned now = hookup->baud;
    if (now == 0)
        now = (unsigned)board_setting_number(hookup->driver, &hookup->settings, "baud", 0.0);
    char others[128] = "";
    size_t used = 0;
    for (size_t i = 0; i < sizeof usual / sizeof usual[0]; i++)
        if (usual[i] != now)
            used += (size_t)snprintf(others + used, sizeof others - used, "%s%u",
                                     used > 0 ? ", " : "", usual[i]);
    if (now > 0)
        intake_board_say(stream->owner, INTAKE_NONSENSE,
                         "bytes arrive, none make sense: try baud %s; now %u; or %s", others, now,
                         more);
    else
        intake_board_say(stream->owner, INTAKE_NONSENSE,
                         "bytes arrive, none make sense: try baud %s, or another driver", others);
}

/* What can go wrong though bytes come; what to ask the board again. */
static void watch(struct stream *stream) {
    struct pipeline *pipeline = stream->pipeline;
    const struct board_driver *driver = pipeline->driver;
    int64_t now = monotonic_ns();
    int64_t no_scans_ns =
        (int64_t)(board_silence_limit_s(driver, &stream->owner->hookup->settings) *
                  (double)SECOND_NS);
    if (no_scans_ns < NO_SCANS_NS)
        no_scans_ns = NO_SCANS_NS;
    if (!stream->connected || pipeline->refused)
        return;

    if (stream->bytes_without_sense >= NONSENSE_BYTES && now - stream->sense_ns >= NONSENSE_NS) {
        pipeline->streaming = false;
        say_nonsense(stream);
        stream->bytes_without_sense = stream->text_without_sense =
            0; /* judged; the next verdict needs new bytes */
    } else if (pipeline->streaming && now - stream->scans_ns >= no_scans_ns &&
               now - stream->sense_ns < no_scans_ns) {
        pipeline->streaming = false;
        intake_board_say(stream->owner, INTAKE_SILENT,
                         "the board answers but sends no scans: asking it again");
    }

    int64_t since = stream->scans_ns > stream->again_ns ? stream->scans_ns : stream->again_ns;
    struct board_bytes request = {0};
    if (driver->again != NULL && now - since >= AGAIN_NS) {
        stream->again_ns = now;
        if (driver->again(pipeline->board, &request) == 0)
            intake_board_send(stream->owner, &request);
    }
}

static void take_bytes(struct stream *stream, size_t count, int64_t arrival_ns) {
    struct pipeline *pipeline = stream->pipeline;
    pipeline->made_sense = false;
    pipeline->had_scans = false;
    pipeline->arrival_ns = arrival_ns;
    enum board_result result = pipeline->driver->consume(pipeline->board, stream->bytes, count);
    if (result < BOARD_RESULTS)
        pipeline->counters.results[result]++;
    pipeline_tell(pipeline);

    int64_t now = monotonic_ns();
    stream->bytes_without_sense += count;
    stream->text_without_sense += count_text(stream->bytes, count);
    if (pipeline->made_sense || result == BOARD_OK) {
        stream->bytes_without_sense = stream->text_without_sense = 0;
        stream->sense_ns = now;
    }
    if (pipeline->had_scans)
        stream->scans_ns = now;
}

/* A port is open: the driver begins anew. */
static void connected(struct stream *stream) {
    struct pipeline *pipeline = stream->pipeline;
    struct board_bytes request = {0};
    stream->connected = true;
    stream->bytes_without_sense = stream->text_without_sense = 0;
    stream->sense_ns = stream->scans_ns = stream->again_ns = monotonic_ns();
    pipeline->refused = false;
    pipeline->streaming = false;
    if (intake_board_state(stream->owner) == INTAKE_WAITING) {
        char device[256];
        board_port_name(stream->owner->hookup, device, sizeof device);
        intake_board_say(stream->owner, INTAKE_OPENING,
                         "%s is open: waiting for the board to make itself known", device);
    }
    int result = pipeline->driver->start(pipeline->board, &request);
    if (result < 0) {
        pipeline->refused = true;
        intake_board_say(stream->owner, INTAKE_REFUSED, "driver %s cannot start: error %d",
                         pipeline->driver->name, -result);
        return;
    }
    intake_board_send(stream->owner, &request);
    (void)pipeline_describe(pipeline); /* drivers that know already need no note */
}

/* All bytes before the barrier are used up. False at the end. */
static bool pass(struct stream *stream, enum barrier barrier) {
    struct pipeline *pipeline = stream->pipeline;
    struct board_bytes request = {0};
    switch (barrier) {
    case BARRIER_CONNECTED:
        connected(stream);
        break;
    case BARRIER_LOST:
        stream->connected = false;
        pipeline_break_off(pipeline, "connection lost");
        pipeline_tick(pipeline); /* the counters are final before anybody hears of the loss */
        break;
    case BARRIER_OVERFLOWED:
        if (!pipeline->overflowed)
            pipeline->dropped_before = stream->dropped_seen;
        pipeline->overflowed = pipeline->epoch_open;
        stream->dropped_seen = atomic_load(&stream->owner->bytes_dropped);
        if (pipeline->driver->hole != NULL)
            pipeline->driver->hole(pipeline->board);
        break;
    case BARRIER_HOLE:
        if (pipeline->driver->hole != NULL) {
            pipeline->driver->hole(pipeline->board);
            break;
        }
        pipeline_break_off(pipeline, board_loss_name(BOARD_LOSS_DAMAGED));
        (void)pipeline->driver->start(pipeline->board, &request);
        break;
    case BARRIER_STOPPING:
        if (stream->connected && pipeline->driver->stop != NULL &&
            pipeline->driver->stop(pipeline->board, &request) == 0)
            intake_board_send(stream->owner, &request);
        pipeline_close_block(pipeline);
        break;
    case BARRIER_NONE:
        return true;
    }
    pthread_mutex_lock(&stream->owner->mutex);
    atomic_store(&stream->owner->barrier, BARRIER_NONE);
    pthread_cond_broadcast(&stream->owner->changed);
    pthread_mutex_unlock(&stream->owner->mutex);
    return barrier != BARRIER_STOPPING;
}

void *pipeline_stream(void *intake_board) {
    struct intake_board *owner = intake_board;
    struct stream stream = {.pipeline = owner->pipeline, .owner = owner};
    uint8_t bytes[READ_BYTES];
    stream.bytes = bytes;
    for (bool more = true; more;) {
        /* Looked at before the ring: when it is up and the ring then empty, all has been read. */
        enum barrier barrier = (enum barrier)atomic_load(&owner->barrier);
        int64_t arrival_ns = 0;
        size_t count = byte_ring_read(owner->byte_ring, bytes, sizeof bytes, &arrival_ns,
                                      barrier == BARRIER_NONE ? WAIT_MS : 0);
        if (count > 0)
            take_bytes(&stream, count, arrival_ns);
        else
            more = pass(&stream, barrier);
        watch(&stream);
        pipeline_tick(stream.pipeline);
    }
    pipeline_finish(stream.pipeline);
    return NULL;
}
