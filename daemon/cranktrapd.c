// SPDX-License-Identifier: Apache-2.0
/*
 * cranktrapd.c - the daemon: wires the modules together, and is the only one that logs.
 *
 * Threads of intake and watch post messages here; the main thread acts on them: writes marks into
 * the stream, asks for snapshots, turns flushing up and down, and says what happened, once.
 */
#include "answers.h"
#include "calibration_store.h"
#include "disk_ring.h"
#include "head.h"
#include "hookup.h"
#include "hookup_copy.h"
#include "intake.h"
#include "journal.h"
#include "manager.h"
#include "marks.h"
#include "memory_ring.h"
#include "reporter.h"
#include "serve.h"
#include "sleep_lock.h"
#include "snapshot.h"
#include "timebase.h"
#include "watch.h"
#include "writer.h"

#include <errno.h>
#include <fcntl.h>
#include <getopt.h>
#include <inttypes.h>
#include <jansson.h>
#include <libgen.h>
#include <math.h>
#include <poll.h>
#include <pthread.h>
#include <signal.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/eventfd.h>
#include <sys/file.h>
#include <sys/signalfd.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

#define DEFAULT_HOOKUP "/etc/cranktrap/vehicle.hookup"
#define DEFAULT_STATE  "/var/lib/cranktrap"
#define FLUSH_WAIT_MS  10000
#define TICK_MS        1000 /* how often the service manager is told how it stands */
#define END_SECONDS    60   /* what a slow disk may take to write the rest */

/* ---- what a person said on the command line ---- */

struct options {
    const char *hookup;
    const char *state;
    const char *socket; /* NULL: in the state folder */
    const char *listen; /* NULL: not over TCP */
    const char *page;   /* NULL: where it is built or installed */
    bool until_end;     /* end when every board is a simulation at its end */
};

static const char usage[] =
    "usage: cranktrapd [--hookup FILE] [--state DIR] [--socket PATH] [--listen ADDRESS:PORT]\n"
    "                  [--page DIR] [--until-end]\n"
    "\n"
    "Streams the boards of a hookup into the ring, watches for crankings and faults, and saves\n"
    "snapshots. Runs in the foreground. Ask it with `cranktrap`. SIGHUP reloads the hookup "
    "without\n"
    "losing a scan; SIGTERM ends with everything on disk (docs/service.md).\n"
    "\n"
    "  --hookup FILE   which lead is where (" DEFAULT_HOOKUP ")\n"
    "  --state DIR     rings, snapshots, calibration and notes (" DEFAULT_STATE ")\n"
    "  --socket PATH   where it listens (DIR/cranktrap.sock)\n"
    "  --listen WHERE  over TCP too: ADDRESS:PORT, or loopback (127.0.0.1:4187); not unless asked\n"
    "  --page DIR      the web page's files (beside the programs, or as installed)\n"
    "  --until-end     end by itself once every board is a simulation at its end\n"
    "  --version, --help\n";

/* ---- messages from other threads ---- */

enum message_kind {
    MESSAGE_BOARD,
    MESSAGE_CRANKING,
    MESSAGE_MARK,
    MESSAGE_DESCRIBED,
    MESSAGE_RELOAD
};

struct message {
    struct message *next;
    enum message_kind kind;
    bool begins; /* MESSAGE_BOARD: it streams */
    int64_t elapsed_ns;
    double value, before_s, after_s;
    bool suppressed;
    enum phase phase;
    char *trigger, *text, *channel;
    size_t board;
    struct board_description description;
};

struct retired {
    struct retired *next;
    struct hookup *hookup;
};

struct daemon {
    struct options options;
    struct hookup *hookup;
    struct retired *retired; /* hookups from before a reload: intake still names boards by them */
    char *snapshot_folder, *ring_folder, *socket_path, *program, *page_folder;
    char *hookup_copy; /* the hookup as it was changed over the API, where there is one */
    bool hookup_is_copy;
    const char *hookup_named; /* on the command line */
    int state_lock;
    struct timebase *timebase;
    struct memory_ring *memory;
    struct disk_ring *disk;
    struct writer *writer;
    struct watch *watch;
    struct intake *intake;
    struct reporter *reporter;
    struct snapshots *snapshots;
    struct serve_parts parts;
    struct serve *serve;
    int listener;
    bool listener_is_ours; /* else the service manager's */
    int awake;             /* keeps the computer from sleeping; or negative */
    bool reload_wanted, reload_put_off;
    struct marks *marks; /* for the API to show */
    struct head_stream *streams;
    int wake;             /* eventfd: there are messages */
    pthread_mutex_t lock; /* of the queue */
    struct message *first, *last;
};

/* The text of a line, then the line. `line` has everything but the text. */
__attribute__((format(printf, 2, 0))) static void say_line(struct journal_line line,
                                                           const char *format, va_list arguments) {
    char text[1024];
    vsnprintf(text, sizeof text, format, arguments);
    line.text = text;
    journal_write(&line);
}

__attribute__((format(printf, 1, 2))) static void say(const char *format, ...) {
    va_list arguments;
    va_start(arguments, format);
    say_line((struct journal_line){.priority = JOURNAL_NOTICE}, format, arguments);
    va_end(arguments);
}

__attribute__((format(printf, 1, 2))) static void warn(const char *format, ...) {
    va_list arguments;
    va_start(arguments, format);
    say_line((struct journal_line){.priority = JOURNAL_WARNING}, format, arguments);
    va_end(arguments);
}

__attribute__((format(printf, 1, 2))) static void fail(const char *format, ...) {
    va_list arguments;
    va_start(arguments, format);
    say_line((struct journal_line){.priority = JOURNAL_ERROR}, format, arguments);
    va_end(arguments);
}

/* With fields of its own. */
__attribute__((format(printf, 2, 3))) static void tell(struct journal_line line, const char *format,
                                                       ...) {
    va_list arguments;
    va_start(arguments, format);
    say_line(line, format, arguments);
    va_end(arguments);
}

static void message_free(struct message *message) {
    free(message->trigger);
    free(message->channel);
    free(message->text);
    free(message);
}

/* Any thread. Takes `message` over. */
static void post(struct daemon *daemon, struct message *message) {
    pthread_mutex_lock(&daemon->lock);
    if (daemon->last)
        daemon->last->next = message;
    else
        daemon->first = message;
    daemon->last = message;
    pthread_mutex_unlock(&daemon->lock);
    uint64_t one = 1;
    while (write(daemon->wake, &one, sizeof one) < 0 && errno == EINTR) {
    }
}

static struct message *new_message(enum message_kind kind, const char *trigger, const char *text) {
    struct message *message = calloc(1, sizeof *message);
    if (!message)
        return NULL;
    message->kind = kind;
    message->trigger = trigger ? strdup(trigger) : NULL;
    message->text = text ? strdup(text) : NULL;
    if ((trigger && !message->trigger) || (text && !message->text)) {
        message_free(message);
        return NULL;
    }
    return message;
}

/* ---- taps: on the threads of intake, watch, snapshot and serve ---- */

static void on_run(void *context, const struct record_run *run) {
    struct daemon *daemon = context;
    watch_run(daemon->watch, run);
}

static void on_loss(void *context, size_t board, uint64_t scans, const char *reason) {
    struct daemon *daemon = context;
    (void)scans;
    (void)reason; /* both are in the stream and in the counters already */
    watch_loss(daemon->watch, board);
}

static void on_described(void *context, size_t board, const struct board_description *description) {
    struct daemon *daemon = context;
    intake_hold_hookup(daemon->intake); /* a reload changes both */
    if (watch_fitted(daemon->watch, board) < 0)
        fail("board %s: no memory for its detectors; it is recorded but not watched",
             daemon->hookup->boards[board].name);
    intake_release_hookup(daemon->intake);
    struct message *message = new_message(MESSAGE_DESCRIBED, NULL, NULL);
    if (!message)
        return;
    message->board = board;
    message->description = *description;
    post(daemon, message);
}

static void on_event(void *context, size_t board, enum intake_board_state state, const char *text) {
    struct daemon *daemon = context;
    struct message *message = new_message(MESSAGE_BOARD, NULL, text);
    if (!message)
        return;
    message->board = board;
    message->begins = state == INTAKE_STREAMING;
    post(daemon, message);
}

static void on_cranking(void *context, bool engaged, int64_t elapsed_ns) {
    struct daemon *daemon = context;
    struct message *message = new_message(MESSAGE_CRANKING, NULL, NULL);
    if (!message)
        return;
    message->begins = engaged;
    message->elapsed_ns = elapsed_ns;
    post(daemon, message);
}

static void on_mark(void *context, const struct watch_mark *mark) {
    struct daemon *daemon = context;
    struct message *message = new_message(MESSAGE_MARK, mark->trigger, mark->text);
    if (!message)
        return;
    message->begins = mark->begins;
    message->elapsed_ns = mark->elapsed_ns;
    message->value = mark->value;
    message->before_s = mark->before_s;
    message->after_s = mark->after_s;
    message->suppressed = mark->suppressed;
    const struct vehicle *vehicle = &daemon->hookup->vehicle;
    if (mark->channel < vehicle->channel_count)
        message->channel = strdup(vehicle->channels[mark->channel].name);
    message->phase = mark->phase;
    post(daemon, message);
}

static void on_snapshot(void *context, unsigned number, const char *path) {
    struct daemon *daemon = context;
    tell((struct journal_line){.priority = JOURNAL_NOTICE, .snapshot = number},
         "snapshot %u saved: %s", number, path);
    if (reporter_ask(daemon->reporter, number, path) < 0)
        warn("snapshot %u: no memory to have it analysed; run `cranktrap report %s`", number, path);
}

static void on_snapshot_removed(void *context, const char *text) {
    (void)context;
    say("%s", text);
}

static void on_snapshot_problem(void *context, const char *text) {
    (void)context;
    warn("%s", text);
}

static void on_reported(void *context, unsigned number, const char *path, int status) {
    (void)context;
    if (status == 0)
        return;
    if (status < 0)
        warn("snapshot %u: its analysis could not run (%s); run `cranktrap report %s`", number,
             strerror(-status), path);
    else
        warn("snapshot %u: its analysis ended with status %d; run `cranktrap report %s`", number,
             status, path);
}

static int flush_all(void *context) {
    struct daemon *daemon = context;
    int result = intake_flush(daemon->intake, FLUSH_WAIT_MS);
    int written = writer_flush(daemon->writer, FLUSH_WAIT_MS);
    return result < 0 ? result : written;
}

/* ---- acting on messages: the main thread, and serve's for a manual mark ---- */

static int put_mark(struct daemon *daemon, const struct message *message) {
    json_t *mark = json_pack("{s:s, s:s, s:s?, s:s, s:b, s:b, s:s?}", "kind", "trigger", "trigger",
                             message->trigger, "channel", message->channel, "phase",
                             phase_name(message->phase), "begins", message->begins, "suppressed",
                             message->suppressed, "text", message->text);
    if (!mark)
        return -ENOMEM;
    json_object_set_new(mark, "value",
                        isfinite(message->value) ? json_real(message->value) : json_null());
    char *text = json_dumps(mark, JSON_COMPACT);
    json_decref(mark);
    if (!text)
        return -ENOMEM;
    struct chunk chunk = {0};
    int result = chunk_text(&chunk, CHUNK_MARK, text, message->elapsed_ns);
    free(text);
    if (result == 0)
        memory_ring_put(daemon->memory, &chunk);
    return result;
}

static int64_t nanoseconds(double seconds) {
    return (int64_t)llround(seconds * 1e9);
}

static int ask_snapshot(struct daemon *daemon, const struct message *message) {
    struct snapshot_request request = {
        .trigger = message->trigger,
        .text = message->text,
        .at_ns = message->elapsed_ns,
        .from_ns = message->elapsed_ns - nanoseconds(message->before_s),
        .to_ns = message->elapsed_ns + nanoseconds(message->after_s),
    };
    return snapshots_request(daemon->snapshots, &request);
}

static void do_mark(struct daemon *daemon, const struct message *message) {
    int result = put_mark(daemon, message);
    if (result < 0)
        fail("a mark of %s could not be noted: %s", message->trigger, strerror(-result));
    bool saves = !message->suppressed && (message->before_s > 0 || message->after_s > 0);
    result = saves ? ask_snapshot(daemon, message) : 0;
    marks_add(daemon->marks, message->elapsed_ns, message->trigger, message->text,
              result > 0 ? (unsigned)result : 0);
    if (!saves)
        return; /* a note in the stream, and nothing more; `status` counts what was suppressed */
    if (result < 0)
        warn("%s: no snapshot: %s", message->text ? message->text : message->trigger,
             strerror(-result));
    else
        tell((struct journal_line){.priority = JOURNAL_NOTICE,
                                   .trigger = message->trigger,
                                   .snapshot = (unsigned)result},
             "%s (snapshot %d)", message->text ? message->text : message->trigger, result);
}

static void do_cranking(struct daemon *daemon, const struct message *message) {
    /* A logger fed from the vehicle browns out exactly now: what is known goes to disk at once. */
    intake_urgent(daemon->intake, message->begins);
    writer_urgent(daemon->writer, message->begins);
}

static void write_head(struct daemon *daemon) {
    char *json = NULL;
    intake_hold_hookup(daemon->intake);
    int result = head_format(daemon->hookup, daemon->hookup->board_count, daemon->streams, &json);
    intake_release_hookup(daemon->intake);
    struct chunk chunk = {0};
    if (result == 0)
        result = chunk_text(&chunk, CHUNK_HEAD, json, timebase_elapsed_ns(daemon->timebase));
    if (result == 0)
        memory_ring_put(daemon->memory, &chunk);
    if (result < 0)
        fail("the head of the ring could not be renewed: %s", strerror(-result));
    free(json);
}

static void do_described(struct daemon *daemon, const struct message *message) {
    struct head_stream *stream = &daemon->streams[message->board];
    stream->description = message->description;
    stream->described = true;
    stream->rate_hz = message->description.rate_hz;
    write_head(daemon);
}

static void act(struct daemon *daemon, struct message *message) {
    switch (message->kind) {
    case MESSAGE_BOARD:
        tell((struct journal_line){.priority = message->begins ? JOURNAL_NOTICE : JOURNAL_WARNING,
                                   .board = daemon->streams[message->board].name},
             "%s", message->text);
        break;
    case MESSAGE_CRANKING:
        do_cranking(daemon, message);
        break;
    case MESSAGE_MARK:
        do_mark(daemon, message);
        break;
    case MESSAGE_DESCRIBED:
        do_described(daemon, message);
        break;
    case MESSAGE_RELOAD:
        daemon->reload_wanted = true;
        break;
    }
    message_free(message);
}

static void act_on_all(struct daemon *daemon) {
    uint64_t count;
    while (read(daemon->wake, &count, sizeof count) < 0 && errno == EINTR) {
    }
    for (;;) {
        pthread_mutex_lock(&daemon->lock);
        struct message *message = daemon->first;
        if (message)
            daemon->first = message->next;
        if (!daemon->first)
            daemon->last = NULL;
        pthread_mutex_unlock(&daemon->lock);
        if (!message)
            return;
        act(daemon, message);
    }
}

/* The API's `keep`: on serve's thread. */
static int on_keep(void *context, int64_t at_ns, double before_s, double after_s,
                   const char *text) {
    struct daemon *daemon = context;
    struct message *message = new_message(MESSAGE_MARK, "manual", text);
    if (!message)
        return -ENOMEM;
    message->begins = true;
    message->elapsed_ns = at_ns;
    message->before_s = before_s;
    message->after_s = after_s;
    message->value = (double)NAN;
    message->phase = watch_phase(daemon->watch);
    int result = put_mark(daemon, message);
    if (result == 0)
        result = ask_snapshot(daemon, message);
    marks_add(daemon->marks, at_ns, message->trigger, text, result > 0 ? (unsigned)result : 0);
    message_free(message);
    return result;
}

/* The API's `note`: a mark without a snapshot. On serve's thread. */
static int on_note(void *context, int64_t at_ns, const char *name, const char *text) {
    struct daemon *daemon = context;
    struct message *message = new_message(MESSAGE_MARK, name, text);
    if (!message)
        return -ENOMEM;
    message->begins = true;
    message->elapsed_ns = at_ns;
    message->value = (double)NAN;
    message->phase = watch_phase(daemon->watch);
    int result = put_mark(daemon, message);
    message_free(message);
    return result;
}

/* The API's `reload`: the hookup has been changed over it. On serve's thread. */
static void on_reload(void *context) {
    struct message *message = new_message(MESSAGE_RELOAD, NULL, NULL);
    if (message)
        post(context, message);
}

/* ---- starting and ending ---- */

static int lock_state(struct daemon *daemon) {
    const char *state = daemon->options.state;
    if (mkdir(state, 0750) < 0 && errno != EEXIST) {
        int error = errno;
        fail("state folder %s: %s; make it, or name another with --state", state, strerror(error));
        return -error;
    }
    char *path = NULL;
    if (asprintf(&path, "%s/lock", state) < 0)
        return -ENOMEM;
    int fd = open(path, O_CREAT | O_RDWR | O_CLOEXEC, 0640);
    int result = fd < 0 ? -errno : 0;
    if (fd < 0) {
        fail("%s: %s; the daemon's user must be able to write in the state folder", path,
             strerror(-result));
    } else if (flock(fd, LOCK_EX | LOCK_NB) < 0) {
        result = -errno;
        fail("%s is in use by another cranktrapd; stop that one, or name another folder with "
             "--state",
             state);
        close(fd);
    } else {
        daemon->state_lock = fd;
    }
    free(path);
    return result;
}

/* A copy in the state folder, changed over the API, counts instead of the file that was named. */
static int choose_hookup(struct daemon *daemon) {
    struct options *options = &daemon->options;
    if (!daemon->hookup_copy) {
        daemon->hookup_named = options->hookup;
        if (asprintf(&daemon->hookup_copy, "%s/" HOOKUP_COPY_NAME, options->state) < 0) {
            daemon->hookup_copy = NULL;
            return -ENOMEM;
        }
    }
    daemon->hookup_is_copy = access(daemon->hookup_copy, F_OK) == 0;
    options->hookup = daemon->hookup_is_copy ? daemon->hookup_copy : daemon->hookup_named;
    if (daemon->hookup_is_copy)
        say("the hookup is the changed copy %s; %s counts again once that is moved away",
            daemon->hookup_copy, daemon->hookup_named);
    return 0;
}

/* What holds while the old one goes on: `instead`. */
static int load_hookup(const struct daemon *daemon, const char *instead, struct hookup **hookup) {
    const char *path = daemon->options.hookup;
    struct problems problems = {0};
    int result = hookup_load(path, HOOKUP_FOR_BOARDS, hookup, &problems);
    if (result < 0 && problems.count == 0)
        fail("hookup %s: %s; write one (docs/hookup.md) or name it with --hookup", path,
             strerror(-result));
    if (problems.count) {
        problems_print(&problems, path, stderr);
        fail("%s: the hookup has %zu problem%s", instead, problems.count,
             problems.count == 1 ? "" : "s");
    }
    problems_clear(&problems);
    return result;
}

/* Recording matters more than calibration: without it the hookup's own scales hold. */
static int load_calibrations(const struct daemon *daemon, struct hookup *hookup) {
    struct calibration_store store = {0};
    int result = calibration_store_read(daemon->options.state, &store);
    if (result < 0)
        warn("%s/calibration.json cannot be read (%s): no input is calibrated; move it away and "
             "calibrate anew",
             daemon->options.state, result == -EBADMSG ? "damaged" : strerror(-result));
    else
        result = hookup_calibrate(hookup, store.calibrations, store.count);
    calibration_store_clear(&store);
    return result == -ENOMEM ? result : 0;
}

/* In a build tree beside the programs' folder; else as installed. dirname() has cut `programs`. */
static int find_page(struct daemon *daemon, const char *programs) {
    if (daemon->options.page)
        daemon->page_folder = strdup(daemon->options.page);
    else if (asprintf(&daemon->page_folder, "%s/../page", programs) < 0)
        daemon->page_folder = NULL;
    if (daemon->page_folder && !daemon->options.page && access(daemon->page_folder, X_OK) < 0) {
        free(daemon->page_folder);
        daemon->page_folder = strdup(CRANKTRAP_PAGE_FOLDER);
    }
    return daemon->page_folder ? 0 : -ENOMEM;
}

static int make_paths(struct daemon *daemon, const char *self) {
    const char *state = daemon->options.state;
    char folder[4096];
    ssize_t length = readlink("/proc/self/exe", folder, sizeof folder - 1);
    if (length < 0)
        length = snprintf(folder, sizeof folder, "%s", self);
    folder[length] = '\0';
    if (asprintf(&daemon->ring_folder, "%s/ring", state) < 0 ||
        asprintf(&daemon->snapshot_folder, "%s/snapshots", state) < 0 ||
        asprintf(&daemon->program, "%s/cranktrap", dirname(folder)) < 0 ||
        find_page(daemon, folder) < 0)
        return -ENOMEM;
    if (daemon->options.socket)
        daemon->socket_path = strdup(daemon->options.socket);
    else if (asprintf(&daemon->socket_path, "%s/cranktrap.sock", state) < 0)
        return -ENOMEM;
    return daemon->socket_path ? 0 : -ENOMEM;
}

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
    const struct watch_sinks sinks = {daemon, on_cranking, on_mark};
    int result = watch_new(daemon->hookup, &sinks, &daemon->watch);
    if (result < 0)
        return result;
    const struct intake_tap tap = {daemon, on_run, on_loss, on_described, on_event};
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

static struct snapshot_settings snapshot_settings(const struct hookup_storage *storage) {
    return (struct snapshot_settings){
        .quota_bytes = storage->snapshot_bytes,
        .keep_free_bytes = storage->keep_free_bytes,
        /* marks of one attempt share a snapshot, however much of before and after is asked for */
        .merge_s = 300 + storage->before_s + storage->after_s,
    };
}

static int start_snapshots(struct daemon *daemon) {
    const struct reporter_tap reporter_tap = {daemon, on_reported};
    int result = reporter_start(daemon->program, &reporter_tap, &daemon->reporter);
    if (result < 0)
        return result;
    struct snapshot_settings settings = snapshot_settings(&daemon->hookup->storage);
    const struct snapshot_tap tap = {daemon, on_snapshot, on_snapshot_removed, on_snapshot_problem,
                                     flush_all};
    result = snapshots_start(daemon->snapshot_folder, daemon->disk, daemon->timebase, &settings,
                             &tap, &daemon->snapshots);
    if (result < 0)
        fail("snapshots %s: %s", daemon->snapshot_folder, strerror(-result));
    return result;
}

static void say_no_serve(const struct daemon *daemon, int error) {
    if (daemon->options.listen &&
        (error == -EINVAL || error == -EADDRINUSE || error == -EADDRNOTAVAIL || error == -EACCES))
        fail("socket %s or --listen %s: %s; --listen takes ADDRESS:PORT in numbers, or loopback",
             daemon->socket_path, daemon->options.listen, strerror(-error));
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
        .hookup_path = daemon->options.hookup,
        .state_folder = daemon->options.state,
        .intake = daemon->intake,
        .watch = daemon->watch,
        .memory = daemon->memory,
        .disk = daemon->disk,
        .snapshots = daemon->snapshots,
        .timebase = daemon->timebase,
        .program = daemon->program,
        .page_folder = daemon->page_folder,
        .listen = daemon->options.listen,
        .listener = &daemon->listener,
        .hookup_is_copy = daemon->hookup_is_copy,
        .marks = daemon->marks,
        .context = daemon,
        .note = on_note,
        .reload = on_reload,
        .keep = on_keep,
    };
    int result = serve_start(daemon->socket_path, &daemon->parts, &daemon->serve);
    if (result < 0)
        say_no_serve(daemon, result);
    else if (serve_address(daemon->serve)[0])
        say("http://%s/%s", serve_address(daemon->serve),
            serve_has_page(daemon->serve) ? "" : " (without the page: it was not built)");
    if (result == 0 && daemon->options.page && !serve_has_page(daemon->serve))
        warn("%s holds no index.html: there is no page", daemon->options.page);
    return result;
}

static int start(struct daemon *daemon, const char *self) {
    uint32_t first_epoch = 1;
    int result = choose_hookup(daemon);
    if (result == 0)
        result = marks_new(&daemon->marks);
    if (result == 0)
        result = load_hookup(daemon, "nothing was started", &daemon->hookup);
    if (result == 0)
        result = lock_state(daemon);
    if (result < 0)
        return result; /* said already */
    result = load_calibrations(daemon, daemon->hookup);
    if (result == 0)
        result = make_paths(daemon, self);
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

/* Without a bus there is nobody who puts the computer to sleep. */
static void stay_awake(struct daemon *daemon) {
    daemon->awake = sleep_lock_take();
    if (daemon->awake < 0 && daemon->awake != -ENOENT)
        warn("this computer may go to sleep while it watches: the login manager gives no lock (%s)",
             strerror(-daemon->awake));
}

/* In the order that loses nothing: no more samples in, all marks acted on, all blocks on disk,
 * then what reads the disk. */
static void end(struct daemon *daemon) {
    if (daemon->intake)
        intake_stop(daemon->intake);
    if (daemon->snapshots)
        act_on_all(daemon);
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
    if (daemon->awake >= 0)
        close(daemon->awake);
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

/* ---- another hookup, while everything goes on ---- */

struct exchange {
    struct daemon *daemon;
    struct hookup *hookup;
    struct watch *watch;
};

/* Intake tells no run while this happens. */
static int exchange(void *context) {
    struct exchange *fresh = context;
    struct daemon *daemon = fresh->daemon;
    if (watch_cranking(daemon->watch))
        return -EBUSY;
    watch_continue(fresh->watch, daemon->watch);
    struct watch *old = daemon->watch;
    daemon->watch = fresh->watch;
    daemon->hookup = fresh->hookup;
    fresh->watch = old;
    return 0;
}

/* These are built in when rings and threads are made. */
static void keep_fixed_storage(struct hookup_storage *fresh, const struct hookup_storage *old) {
    struct hookup_storage wished = *fresh;
    fresh->ring_bytes = old->ring_bytes;
    fresh->keep_free_bytes = old->keep_free_bytes;
    fresh->memory_bytes = old->memory_bytes;
    fresh->memory_given = old->memory_given;
    fresh->loss_window_s = old->loss_window_s;
    if (wished.ring_bytes != old->ring_bytes || wished.keep_free_bytes != old->keep_free_bytes ||
        wished.memory_given != old->memory_given ||
        (wished.memory_given && wished.memory_bytes != old->memory_bytes) ||
        fabs(wished.loss_window_s - old->loss_window_s) > 0)
        warn("reload: ring, free, memory and loss-window of [storage] stay as they were until the "
             "next start");
}

/* `fresh` into the place of the present one, or freed. 0, -EBUSY while the starter is engaged. */
static int exchange_hookup(struct daemon *daemon, struct hookup *fresh) {
    struct problems problems = {0};
    struct exchange change = {.daemon = daemon, .hookup = fresh};
    struct retired *retired = calloc(1, sizeof *retired);
    struct hookup *old = daemon->hookup;
    const struct watch_sinks sinks = {daemon, on_cranking, on_mark};
    int result = retired ? watch_new(fresh, &sinks, &change.watch) : -ENOMEM;
    if (result == 0)
        result = intake_exchange_hookup(daemon->intake, fresh, &problems, exchange, &change);
    watch_free(change.watch); /* the one that is not used (any more) */
    if (result == 0) {
        *retired = (struct retired){daemon->retired, old};
        daemon->retired = retired;
        retired = NULL;
    } else {
        hookup_free(fresh);
    }
    free(retired);
    if (problems.count)
        problems_print(&problems, daemon->options.hookup, stderr);
    problems_clear(&problems);
    return result;
}

static int read_fresh(struct daemon *daemon, struct hookup **hookup) {
    struct hookup *fresh = NULL;
    int result = load_hookup(daemon, "reload: the old hookup holds", &fresh);
    if (result < 0)
        return result;
    const char *board = hookup_board_changed(daemon->hookup, fresh);
    if (board)
        fail("reload: the old hookup holds: board %s is another, and what a board is (driver, "
             "device, options) changes only with a restart: systemctl restart cranktrapd",
             board);
    result = board ? -EINVAL : load_calibrations(daemon, fresh);
    if (result == 0)
        keep_fixed_storage(&fresh->storage, &daemon->hookup->storage);
    if (result < 0)
        hookup_free(fresh);
    else
        *hookup = fresh;
    return result;
}

/* Whoever asks the API meanwhile waits: its threads read the hookup. */
static void change_hookup(struct daemon *daemon, struct hookup *fresh) {
    serve_stop(daemon->serve);
    daemon->serve = NULL;
    act_on_all(daemon);
    int result = exchange_hookup(daemon, fresh);
    daemon->reload_wanted = result == -EBUSY;
    if (result == 0) {
        struct snapshot_settings settings = snapshot_settings(&daemon->hookup->storage);
        snapshots_set(daemon->snapshots, &settings);
        daemon->parts.hookup = daemon->hookup;
        daemon->parts.hookup_path = daemon->options.hookup;
        daemon->parts.hookup_is_copy = daemon->hookup_is_copy;
        daemon->parts.watch = daemon->watch;
        write_head(daemon);
        say("reloaded: \"%s\" is watched by %s from now on; no scan was lost",
            daemon->hookup->vehicle.name ? daemon->hookup->vehicle.name
                                         : "a vehicle without a name",
            daemon->options.hookup);
    } else if (result == -EBUSY && !daemon->reload_put_off) {
        say("reload: waits until the starter has let go");
    } else if (result != -EBUSY) {
        fail("reload: the old hookup holds: %s",
             result == -EINVAL ? "it contradicts a board" : strerror(-result));
    }
    daemon->reload_put_off = result == -EBUSY;
    result = serve_start(daemon->socket_path, &daemon->parts, &daemon->serve);
    if (result < 0)
        fail("the API could not be started again (%s): restart the daemon", strerror(-result));
}

static void reload(struct daemon *daemon) {
    struct hookup *fresh = NULL;
    daemon->reload_wanted = false;
    manager_reloading();
    if (choose_hookup(daemon) == 0 && read_fresh(daemon, &fresh) == 0)
        change_hookup(daemon, fresh);
    manager_ready();
}

/* ---- running ---- */

/* The API's words for how it stands are the manager's too. */
static void tell_manager(struct daemon *daemon) {
    char line[512];
    json_t *status = answer_status(&daemon->parts);
    const char *state = json_string_value(json_object_get(status, "state"));
    const char *why = json_string_value(json_object_get(status, "why"));
    snprintf(
        line, sizeof line, "%s%s%s%s", state ? state : "?", why && *why ? ": " : "", why ? why : "",
        daemon->awake < 0 && daemon->awake != -ENOENT ? " (this computer may go to sleep: no lock)"
                                                      : "");
    json_decref(status);
    manager_status(line);
}

static void tick(struct daemon *daemon) {
    if (daemon->reload_wanted)
        reload(daemon);
    tell_manager(daemon);
    /* Not of the writer: a disk that stands still is waited for, and a restart frees no disk. */
    if (intake_moves(daemon->intake))
        manager_alive();
}

static int64_t monotonic_ms(void) {
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (int64_t)now.tv_sec * 1000 + now.tv_nsec / 1000000;
}

/* True: an end is asked for. */
static bool take_signal(struct daemon *daemon, int signals) {
    struct signalfd_siginfo signal;
    if (read(signals, &signal, sizeof signal) != sizeof signal)
        return false;
    daemon->reload_wanted |= signal.ssi_signo == SIGHUP;
    return signal.ssi_signo != SIGHUP;
}

static void run(struct daemon *daemon, int signals) {
    struct pollfd wait[2] = {{.fd = signals, .events = POLLIN},
                             {.fd = daemon->wake, .events = POLLIN}};
    int64_t due_ms = 0;
    for (;;) {
        int ready = poll(wait, 2, daemon->options.until_end ? 50 : TICK_MS);
        if (ready < 0 && errno != EINTR)
            return;
        if (ready > 0 && wait[0].revents && take_signal(daemon, signals))
            return;
        if (ready > 0 && wait[1].revents)
            act_on_all(daemon);
        if (daemon->options.until_end && intake_ended(daemon->intake))
            return;
        if (monotonic_ms() >= due_ms || (wait[0].revents && daemon->reload_wanted)) {
            tick(daemon);
            due_ms = monotonic_ms() + TICK_MS;
        }
    }
}

/* 0 to go on, 1 to end well, 2 for a wrong call. */
static int read_options(int argc, char **argv, struct options *options) {
    static const struct option long_options[] = {
        {"hookup", required_argument, NULL, 'h'},
        {"state", required_argument, NULL, 's'},
        {"socket", required_argument, NULL, 'k'},
        {"listen", required_argument, NULL, 'l'},
        {"page", required_argument, NULL, 'p'},
        {"until-end", no_argument, NULL, 'e'},
        {"version", no_argument, NULL, 'v'},
        {"help", no_argument, NULL, '?' + 256},
        {0},
    };
    for (int option; (option = getopt_long(argc, argv, "", long_options, NULL)) != -1;) {
        switch (option) {
        case 'h':
            options->hookup = optarg;
            break;
        case 's':
            options->state = optarg;
            break;
        case 'k':
            options->socket = optarg;
            break;
        case 'l':
            options->listen = optarg;
            break;
        case 'p':
            options->page = optarg;
            break;
        case 'e':
            options->until_end = true;
            break;
        case 'v':
            puts("cranktrapd " CRANKTRAP_VERSION);
            return 1;
        case '?' + 256:
            fputs(usage, stdout);
            return 1;
        default:
            fputs(usage, stderr);
            return 2;
        }
    }
    if (optind < argc) {
        fprintf(stderr, "cranktrapd: \"%s\" is not an option\n%s", argv[optind], usage);
        return 2;
    }
    return 0;
}

int main(int argc, char **argv) {
    struct daemon daemon = {
        .options = {.hookup = DEFAULT_HOOKUP, .state = DEFAULT_STATE},
        .state_lock = -1,
        .listener = -1,
        .awake = -ENOENT,
        .lock = PTHREAD_MUTEX_INITIALIZER,
    };
    int option = read_options(argc, argv, &daemon.options);
    if (option)
        return option == 1 ? 0 : 2;

    /* Signals come to the main thread's poll only: blocked before any other thread is made. */
    sigset_t awaited;
    sigemptyset(&awaited);
    sigaddset(&awaited, SIGINT);
    sigaddset(&awaited, SIGTERM);
    sigaddset(&awaited, SIGHUP);
    pthread_sigmask(SIG_BLOCK, &awaited, NULL);
    signal(SIGPIPE, SIG_IGN);
    int signals = signalfd(-1, &awaited, SFD_CLOEXEC);
    daemon.wake = eventfd(0, EFD_CLOEXEC | EFD_NONBLOCK);
    if (signals < 0 || daemon.wake < 0) {
        fail("cannot start: %s", strerror(errno));
        return 3;
    }

    int result = start(&daemon, argv[0]);
    if (result == 0) {
        say("watching \"%s\": state in %s, socket %s",
            daemon.hookup->vehicle.name ? daemon.hookup->vehicle.name : "a vehicle without a name",
            daemon.options.state, daemon.socket_path);
        stay_awake(&daemon);
        manager_ready();
        run(&daemon, signals);
        manager_stopping(END_SECONDS);
        say("ending: everything goes to disk");
    }
    end(&daemon);
    close(daemon.wake);
    close(signals);
    return result == 0 ? 0 : 3;
}
