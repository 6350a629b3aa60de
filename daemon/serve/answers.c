// SPDX-License-Identifier: Apache-2.0
/*
 * answers.c - what the daemon knows, as JSON.
 */
#include "answers.h"

#include "bench.h"
#include "remark.h"
#include "standing.h"

#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

static json_t *number(double value) {
    return isfinite(value) ? json_real(value) : json_null();
}

static json_t *whole(uint64_t value) {
    return json_integer((json_int_t)value);
}

/* ISO 8601 with the local offset, to the second. */
static json_t *wall_text(int64_t wall_ns) {
    time_t seconds = (time_t)(wall_ns / 1000000000);
    struct tm local;
    char text[40];
    if (!localtime_r(&seconds, &local) ||
        !strftime(text, sizeof text, "%Y-%m-%dT%H:%M:%S%z", &local))
        return json_null();
    return json_string(text);
}

/* What a calibration is tied to; null: not seen yet, or nothing tells it from others. */
static json_t *board_key_json(const struct serve_parts *parts, size_t index) {
    struct board_description description;
    char key[CALIBRATION_BOARD];
    bool known = intake_description(parts->intake, index, &description) &&
                 hookup_board_key(&parts->hookup->boards[index], &description, key);
    return known ? json_string(key) : json_null();
}

static json_t *board_json(const struct serve_parts *parts, size_t index, int64_t now_ns) {
    struct intake *intake = parts->intake;
    struct intake_status status;
    intake_status(intake, index, &status);
    json_t *results = json_object();
    for (int i = 0; i < BOARD_RESULTS; i++)
        json_object_set_new(results, board_result_name((enum board_result)i),
                            whole(status.results[i]));
    json_t *losses = json_object();
    for (int i = 0; i < BOARD_LOSS_DEAD_TIME; i++)
        json_object_set_new(losses, board_loss_name((enum board_loss)i), whole(status.losses[i]));
    json_t *board = json_object();
    json_object_set_new(board, "board", json_string(status.board));
    json_object_set_new(board, "state", json_string(intake_board_state_name(status.state)));
    json_object_set_new(board, "why", status.why[0] ? json_string(status.why) : json_null());
    json_object_set_new(board, "note", status.note[0] ? json_string(status.note) : json_null());
    json_object_set_new(board, "identity", board_key_json(parts, index));
    json_object_set_new(board, "epoch", json_integer(status.epoch));
    json_object_set_new(board, "scans", whole(status.scans));
    json_object_set_new(board, "scans_lost", whole(status.scans_lost));
    json_object_set_new(board, "losses_of_unknown_size", whole(status.losses_unknown));
    json_object_set_new(board, "losses", losses);
    json_object_set_new(board, "pauses", whole(status.pauses));
    json_object_set_new(board, "scans_in_pauses", whole(status.scans_in_pauses));
    json_object_set_new(board, "reconnects", whole(status.reconnects));
    json_object_set_new(board, "bytes", whole(status.bytes));
    json_object_set_new(board, "results", results);
    json_object_set_new(board, "byte_ring_fullest", whole(status.byte_ring_fullest));
    json_object_set_new(board, "byte_ring_size", whole(status.byte_ring_size));
    json_object_set_new(board, "blocks", whole(status.blocks));
    json_object_set_new(board, "blocks_fast", whole(status.blocks_fast));
    json_object_set_new(board, "rate_hz", number(status.rate_hz));
    json_object_set_new(board, "claimed_hz", number(status.claimed_hz));
    json_object_set_new(board, "rate_ppm", number(status.ppm));
    json_object_set_new(board, "clock_error_s", number(status.clock_error_ns * 1e-9));
    json_object_set_new(board, "newest_scan_age_s",
                        status.last_scan_ns ? number((double)(now_ns - status.last_scan_ns) * 1e-9)
                                            : json_null());
    return board;
}

/* How far the times of two boards may be apart, one standard deviation: the two worst clocks. */
static json_t *apart_json(const struct serve_parts *parts) {
    double worst = 0, second = 0;
    size_t timed = 0;
    for (size_t i = 0; i < intake_boards(parts->intake); i++) {
        struct intake_status status;
        intake_status(parts->intake, i, &status);
        if (!(status.rate_hz > 0))
            continue;
        timed++;
        second = fmax(second, fmin(worst, status.clock_error_ns));
        worst = fmax(worst, status.clock_error_ns);
    }
    return timed > 1 ? number(hypot(worst, second) * 1e-9) : json_null();
}

static bool is_streaming(enum intake_board_state state) {
    return state == INTAKE_STREAMING || state == INTAKE_ENDED;
}

/* The first watching state that holds (docs: the words), and why in `why`. */
static const char *watching_state(const struct serve_parts *parts,
                                  const struct snapshot_state *snapshots,
                                  const struct disk_ring_state *disk, char *why, size_t size) {
    size_t boards = intake_boards(parts->intake);
    why[0] = '\0';
    if (disk->last_error) {
        snprintf(why, size, "the ring cannot be written: %s; make room in %s",
                 strerror(-disk->last_error), parts->state_folder);
        return "not-watching";
    }
    for (size_t i = 0; i < boards; i++) {
        struct intake_status status;
        intake_status(parts->intake, i, &status);
        if (status.state == INTAKE_REFUSED) {
            snprintf(why, size, "board %s does not fit the hookup: %s", status.board, status.why);
            return "not-watching";
        }
        if (!is_streaming(status.state)) {
            snprintf(why, size, "%s%s%s", status.board, status.why[0] ? ": " : "", status.why);
            return "waiting-for-board";
        }
    }
    if (intake_ended(parts->intake)) {
        snprintf(why, size, "the simulation is at its end");
        return "not-watching";
    }
    if (snapshots->saving)
        return "saving";
    return watch_cranking(parts->watch) ? "cranking" : "watching";
}

static json_t *memory_json(const struct memory_ring_state *memory) {
    json_t *json = json_object();
    json_object_set_new(json, "bytes", whole(memory->bytes));
    json_object_set_new(json, "bound", whole(memory->bound));
    json_object_set_new(json, "bytes_per_s", number(memory->bytes_per_s));
    json_object_set_new(json, "covers_s",
                        memory->bytes_per_s > 0
                            ? number((double)memory->bound / memory->bytes_per_s)
                            : json_null());
    json_object_set_new(json, "fullest", whole(memory->fullest));
    json_object_set_new(json, "blocks_lost", whole(memory->blocks_lost));
    json_object_set_new(json, "scans_lost", whole(memory->scans_lost));
    return json;
}

static json_t *disk_json(const struct disk_ring_state *disk, const struct hookup_storage *storage,
                         int64_t now_ns) {
    json_t *json = json_object();
    json_object_set_new(json, "bytes", whole(disk->bytes));
    json_object_set_new(json, "bound", whole(storage->ring_bytes));
    json_object_set_new(json, "keep_free", whole(storage->keep_free_bytes));
    json_object_set_new(json, "segments", whole(disk->segments));
    json_object_set_new(json, "segments_pruned", whole(disk->segments_pruned));
    json_object_set_new(json, "pruned_for_space", whole(disk->pruned_for_space));
    json_object_set_new(json, "free", disk->free_bytes ? whole(disk->free_bytes) : json_null());
    json_object_set_new(json, "oldest_age_s",
                        disk->oldest_ns ? number((double)(now_ns - disk->oldest_ns) * 1e-9)
                                        : json_null());
    json_object_set_new(json, "bytes_written", whole(disk->bytes_written));
    /* Of samples as two bytes each, as a plain recording has them. */
    json_object_set_new(json, "written_per_raw_byte",
                        disk->samples_written ? number((double)disk->bytes_written / 2 /
                                                       (double)disk->samples_written)
                                              : json_null());
    json_object_set_new(json, "syncs", whole(disk->syncs));
    json_object_set_new(json, "syncs_per_minute",
                        disk->open_s > 0 ? number((double)disk->syncs * 60 / disk->open_s)
                                         : json_null());
    json_object_set_new(json, "scans_dropped", whole(disk->scans_dropped));
    json_object_set_new(json, "error",
                        disk->last_error ? json_string(strerror(-disk->last_error)) : json_null());
    json_object_set_new(json, "loss_window_s", number(storage->loss_window_s));
    return json;
}

static json_t *snapshots_json(const struct snapshot_state *state,
                              const struct hookup_storage *storage) {
    json_t *json = json_object();
    json_object_set_new(json, "saved", json_integer(state->saved));
    json_object_set_new(json, "failed", json_integer(state->failed));
    json_object_set_new(json, "removed", json_integer(state->removed));
    json_object_set_new(json, "saving", json_boolean(state->saving));
    json_object_set_new(json, "room", json_boolean(state->room));
    json_object_set_new(json, "bytes", whole(state->bytes));
    json_object_set_new(json, "bound", whole(storage->snapshot_bytes));
    json_object_set_new(json, "problem",
                        state->last_problem[0] ? json_string(state->last_problem) : json_null());
    return json;
}

/* Triggers that flapped, and what of it was not saved. */
static json_t *storms_json(const struct serve_parts *parts, int64_t now_ns) {
    const struct vehicle *vehicle = &parts->hookup->vehicle;
    int64_t wall_ns = timebase_wall_ns(parts->timebase);
    struct watch_storm storm;
    json_t *storms = json_array();
    for (size_t i = 0; watch_storm(parts->watch, i, &storm); i++) {
        json_t *json = json_object();
        json_object_set_new(json, "trigger", json_string(storm.trigger));
        json_object_set_new(json, "channel", json_string(vehicle->channels[storm.channel].name));
        json_object_set_new(json, "suppressed", json_integer(storm.suppressed));
        json_object_set_new(json, "latest_s", number((double)storm.latest_ns * 1e-9));
        json_object_set_new(json, "latest_wall", wall_text(wall_ns - (now_ns - storm.latest_ns)));
        json_array_append_new(storms, json);
    }
    return storms;
}

json_t *answer_status(const struct serve_parts *parts) {
    int64_t now = timebase_elapsed_ns(parts->timebase);
    struct snapshot_state snapshots;
    snapshots_state(parts->snapshots, &snapshots);
    struct disk_ring_state disk = disk_ring_state(parts->disk);
    struct memory_ring_state memory = memory_ring_state(parts->memory);
    char why[512];
    const char *state = watching_state(parts, &snapshots, &disk, why, sizeof why);

    json_t *boards = json_array();
    for (size_t i = 0; i < intake_boards(parts->intake); i++)
        json_array_append_new(boards, board_json(parts, i, now));

    const struct vehicle *vehicle = &parts->hookup->vehicle;
    json_t *json = json_object();
    json_object_set_new(json, "schema", json_string("cranktrap.status/1"));
    json_object_set_new(json, "software", json_string("cranktrap " CRANKTRAP_VERSION));
    json_object_set_new(json, "state", json_string(state));
    json_object_set_new(json, "why", why[0] ? json_string(why) : json_null());
    json_object_set_new(json, "vehicle", vehicle->name ? json_string(vehicle->name) : json_null());
    json_object_set_new(json, "hookup", json_string(parts->hookup_path));
    json_object_set_new(json, "state_folder", json_string(parts->state_folder));
    json_object_set_new(json, "wall", wall_text(timebase_wall_ns(parts->timebase)));
    json_object_set_new(json, "wall_ms", json_integer(timebase_wall_ns(parts->timebase) / 1000000));
    json_object_set_new(json, "elapsed_s", number((double)now * 1e-9));
    json_object_set_new(json, "phase", json_string(phase_name(watch_phase(parts->watch))));
    json_object_set_new(json, "crankings", json_integer(watch_attempts(parts->watch)));
    json_object_set_new(json, "suppressed", storms_json(parts, now));
    json_object_set_new(json, "boards", boards);
    json_object_set_new(json, "boards_apart_s", apart_json(parts));
    json_object_set_new(json, "calibrations", bench_calibrations(parts));
    json_object_set_new(json, "memory_ring", memory_json(&memory));
    json_object_set_new(json, "ring", disk_json(&disk, &parts->hookup->storage, now));
    json_object_set_new(json, "snapshots", snapshots_json(&snapshots, &parts->hookup->storage));
    return json;
}

static json_t *reading_json(const struct serve_parts *parts, size_t index) {
    const struct vehicle_channel *channel = &parts->hookup->vehicle.channels[index];
    struct watch_reading reading;
    watch_reading(parts->watch, index, &reading);
    json_t *json = json_object();
    json_object_set_new(json, "channel", json_string(channel->name));
    json_object_set_new(json, "board", json_string(parts->hookup->boards[channel->stream].name));
    json_object_set_new(json, "role", json_string(role_name(channel->role)));
    json_object_set_new(json, "unit", json_string(channel->unit));
    json_object_set_new(json, "fresh", json_boolean(reading.fresh));
    json_object_set_new(json, "newest", number(reading.newest));
    json_object_set_new(json, "lowest", number(reading.lowest));
    json_object_set_new(json, "highest", number(reading.highest));
    json_object_set_new(json, "average", number(reading.average));
    json_object_set_new(json, "low", number(reading.low));
    json_object_set_new(json, "high", number(reading.high));
    json_object_set_new(json, "duty", number(reading.duty));
    json_object_set_new(json, "edges_per_s", number(reading.edges_per_s));
    json_object_set_new(json, "latched_low", number(reading.latched_low));
    json_object_set_new(json, "latched_high", number(reading.latched_high));
    return json;
}

json_t *answer_now(const struct serve_parts *parts, unsigned long sequence) {
    json_t *channels = json_array();
    for (size_t i = 0; i < parts->hookup->vehicle.channel_count; i++)
        json_array_append_new(channels, reading_json(parts, i));
    json_t *json = json_object();
    json_object_set_new(json, "schema", json_string("cranktrap.now/1"));
    json_object_set_new(json, "sequence", whole(sequence));
    json_object_set_new(json, "phase", json_string(phase_name(watch_phase(parts->watch))));
    json_object_set_new(json, "wall", wall_text(timebase_wall_ns(parts->timebase)));
    json_object_set_new(json, "channels", channels);
    return json;
}

json_t *answer_snapshot(const char *folder, unsigned number, bool finished, const char *error) {
    struct remark remark = {0};
    char *path = NULL;
    if (asprintf(&path, "%s/%04u.crank", folder, number) < 0)
        return NULL;
    (void)remark_read(folder, number, &remark); /* what cannot be read counts as held */
    json_t *json =
        json_pack("{s:s, s:i, s:b, s:s?, s:s, s:b, s:b, s:b, s:s?, s:s}", "schema",
                  "cranktrap.snapshot/1", "number", (int)number, "finished", finished, "error",
                  error, "path", path, "reviewed", remark.reviewed, "hold", remark.hold, "good",
                  remark.good, "note", remark.text[0] ? remark.text : NULL, "standing",
                  standing_name(standing_of(folder, number)));
    free(path);
    return json;
}

json_t *answer_error(const char *text, const char *remedy) {
    json_t *json = json_object();
    json_object_set_new(json, "schema", json_string("cranktrap.error/1"));
    json_object_set_new(json, "error", json_string(text));
    json_object_set_new(json, "remedy", remedy ? json_string(remedy) : json_null());
    return json;
}
