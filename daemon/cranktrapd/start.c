// SPDX-License-Identifier: Apache-2.0
#include "start.h"

#include "actions.h"
#include "hookup_in_use.h"
#include "manager.h"
#include "places.h"
#include "say.h"
#include "sleep_lock.h"
#include "taps.h"

#include <errno.h>
#include <inttypes.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static int start_rings(struct daemon *daemon, uint32_t *first_epoch) {
    const struct hookup_storage *storage = &daemon->hookup->storage;
    struct disk_ring_settings settings = {
        .bytes = storage->ring_bytes,
        .keep_free_bytes = storage->keep_free_bytes,
    };
    struct disk_ring_found found = {0};
    int result = disk_ring_open(daemon->ring_folder, &settings, &found, &daemon->disk);
    if (result < 0) {
        fail("ring %s: %s", daemon->ring_folder, strerror(-result));
        return result;
    }
    if (found.damaged)
        warn("ring: %zu of %zu segments have damaged ends or spots (%" PRIu64
             " bytes, as after a power cut); they are kept as they are, all sound blocks in them "
             "are read",
             found.damaged, found.segments, found.damaged_bytes);
    if (found.set_aside)
        warn("ring: %zu segments were written by another version of cranktrap and cannot be read "
             "by this one; they were moved to %s and no longer count for the ring's size. Read "
             "them with the version that wrote them, or delete that folder",
             found.set_aside, disk_ring_set_aside(daemon->disk));
    *first_epoch = found.last_epoch + 1;

    char *json = NULL;
    result = head_format(daemon->hookup, daemon->hookup->board_count, daemon->streams, &json);
    if (result == 0)
        result = disk_ring_set_head(daemon->disk, json);
    free(json);
    if (result == 0)
        result = memory_ring_new(storage->memory_bytes, &daemon->memory);
    if (result == 0 && !storage->memory_given)
        memory_ring_cover(daemon->memory, HOOKUP_STALL_S);
    if (result == 0)
        result = writer_start(daemon->memory, daemon->disk, storage->loss_window_s * 0.6,
                              &daemon->writer);
    if (result < 0)
        fail("ring: %s", strerror(-result));
    return result;
}

static int make_streams(struct daemon *daemon) {
    size_t count = daemon->hookup->board_count;
    daemon->streams = calloc(count ? count : 1, sizeof *daemon->streams);
    if (!daemon->streams)
        return -ENOMEM;
    for (size_t i = 0; i < count; i++) {
        const struct hookup_board *board = &daemon->hookup->boards[i];
        daemon->streams[i].name = board->name;
        daemon->streams[i].driver = board->driver->name;
        daemon->streams[i].rate_hz = board->rate_hz;
    }
    return 0;
}

static int start_intake(struct daemon *daemon, uint32_t first_epoch) {
    const struct watch_sinks sinks = taps_of_watch(daemon);
    int result = watch_new(daemon->hookup, &sinks, &daemon->watch);
    if (result < 0)
        return result;
    const struct intake_tap tap = taps_of_intake(daemon);
    double window = daemon->hookup->storage.loss_window_s;
    struct intake_settings settings = {
        .block_s = window < 5.0 ? window * 0.2 : 1.0,
        .urgent_block_s = 0.25,
        .first_epoch = first_epoch,
        .byte_ring_s = 1.0,
    };
    return intake_new(daemon->hookup, daemon->memory, daemon->timebase, &tap, &settings,
                      &daemon->intake);
}

struct snapshot_settings start_snapshot_settings(const struct hookup_storage *storage) {
    return (struct snapshot_settings){
        .quota_bytes = storage->snapshot_bytes,
        .keep_free_bytes = storage->keep_free_bytes,
        /* marks of one attempt share a snapshot, however much of before and after is asked for */
        .merge_s = 300 + storage->before_s + storage->after_s,
    };
}

static int start_snapshots(struct daemon *daemon) {
    const struct reporter_tap reporter_tap = taps_of_reporter(daemon);
    int result = reporter_start(daemon->program, &reporter_tap, &daemon->reporter);
    if (result < 0)
        return result;
    struct snapshot_settings settings = start_snapshot_settings(&daemon->hookup->storage);
    const struct snapshot_tap tap = taps_of_snapshots(daemon);
    result = snapshots_start(daemon->snapshot_folder, daemon->disk, daemon->timebase, &settings,
                             &tap, &daemon->snapshots);
    if (result < 0)
        fail("snapshots %s: %s", daemon->snapshot_folder, strerror(-result));
    return result;
}

static void say_no_serve(const struct daemon *daemon, int error) {
    if (daemon->line.listen &&
        (error == -EINVAL || error == -EADDRINUSE || error == -EADDRNOTAVAIL || error == -EACCES))
        fail("socket %s or --listen %s: %s; --listen takes ADDRESS:PORT in numbers, or loopback",
             daemon->socket_path, daemon->line.listen, strerror(-error));
    else
        fail("socket %s: %s; name another with --socket", daemon->socket_path, strerror(-error));
}

/* The service manager's, where it hands one over; --socket then says where that one is. */
static int start_listening(struct daemon *daemon) {
    daemon->listener = manager_listener();
    if (daemon->listener == -ENOENT) {
        daemon->listener_is_ours = true;
        daemon->listener = serve_listen(daemon->socket_path);
    }
    if (daemon->listener < 0)
        say_no_serve(daemon, daemon->listener);
    return daemon->listener < 0 ? daemon->listener : 0;
}

static int start_serve(struct daemon *daemon) {
    daemon->parts = (struct serve_parts){
        .hookup = daemon->hookup,
        .hookup_path = daemon->hookup_path,
        .state_folder = daemon->line.state,
        .intake = daemon->intake,
        .watch = daemon->watch,
        .memory = daemon->memory,
        .disk = daemon->disk,
        .snapshots = daemon->snapshots,
        .timebase = daemon->timebase,
        .program = daemon->program,
        .page_folder = daemon->page_folder,
        .listen = daemon->line.listen,
        .listener = &daemon->listener,
        .hookup_is_copy = daemon->hookup_is_copy,
        .marks = daemon->marks,
    };
    taps_of_serve(daemon, &daemon->parts);
    int result = serve_start(daemon->socket_path, &daemon->parts, &daemon->serve);
    if (result < 0)
        say_no_serve(daemon, result);
    else if (serve_address(daemon->serve)[0])
        say("http://%s/%s", serve_address(daemon->serve),
            serve_has_page(daemon->serve) ? "" : " (without the page: it was not built)");
    if (result == 0 && daemon->line.page && !serve_has_page(daemon->serve))
        warn("%s holds no index.html: there is no page", daemon->line.page);
    return result;
}

int start_daemon(struct daemon *daemon, const char *self) {
    uint32_t first_epoch = 1;
    int result = hookup_in_use_choose(daemon);
    if (result == 0)
        result = marks_new(&daemon->marks);
    if (result == 0)
        result = hookup_in_use_load(daemon, "nothing was started", &daemon->hookup);
    if (result == 0)
        result = places_lock(daemon);
    if (result < 0)
        return result; /* said already */
    result = hookup_in_use_calibrate(daemon, daemon->hookup);
    if (result == 0)
        result = places_find(daemon, self);
    if (result == 0)
        result = make_streams(daemon);
    if (result == 0)
        result = timebase_new(&daemon->timebase);
    if (result == 0)
        result = start_rings(daemon, &first_epoch);
    if (result == 0)
        result = start_intake(daemon, first_epoch);
    if (result == 0)
        result = start_snapshots(daemon);
    if (result == 0)
        result = start_listening(daemon);
    if (result == 0)
        result = start_serve(daemon);
    if (result == 0)
        result = intake_start(daemon->intake);
    if (result < 0)
        fail("could not start: %s", strerror(-result));
    return result;
}

void stop_daemon(struct daemon *daemon) {
    if (daemon->intake)
        intake_stop(daemon->intake);
    if (daemon->snapshots)
        actions_take(daemon);
    if (daemon->writer)
        (void)writer_flush(daemon->writer, FLUSH_WAIT_MS);
    serve_stop(daemon->serve);
    if (daemon->listener >= 0)
        close(daemon->listener);
    if (daemon->listener >= 0 && daemon->listener_is_ours)
        unlink(daemon->socket_path);
    snapshots_stop(daemon->snapshots);
    reporter_stop(daemon->reporter);
    writer_stop(daemon->writer);
    intake_free(daemon->intake);
    watch_free(daemon->watch);
    memory_ring_free(daemon->memory);
    disk_ring_close(daemon->disk);
    timebase_free(daemon->timebase);
    free(daemon->streams);
    hookup_free(daemon->hookup);
    for (struct retired *next; daemon->retired; daemon->retired = next) {
        next = daemon->retired->next;
        hookup_free(daemon->retired->hookup);
        free(daemon->retired);
    }
    sleep_lock_free(daemon->sleep_lock);
    free(daemon->ring_folder);
    free(daemon->snapshot_folder);
    free(daemon->socket_path);
    free(daemon->program);
    free(daemon->page_folder);
    free(daemon->hookup_copy);
    marks_free(daemon->marks);
    if (daemon->state_lock >= 0)
        close(daemon->state_lock);
}
