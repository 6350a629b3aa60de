// SPDX-License-Identifier: Apache-2.0
/*
 * bench_van.c - the board is a child process, so that neither its time nor its memory is counted.
 */
#include "bench_van.h"

#include "drivers.h"
#include "problems.h"
#include "wire_encoder.h"

#include <errno.h>
#include <ftw.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <unistd.h>

/* The simulated board's 12 bits reach below 0 V; on the wire they are 13 signed ones. */
enum { WIRE_BITS = 13, SCANS_PER_PACKET = 25 };

/* ---- the hookup ---- */

static const char hookup_text[] = "[vehicle]\n"
                                  "name = parcel van, bay 2\n"
                                  "cylinders = 4\n"
                                  "ground = battery-negative\n"
                                  "[board logger]\n"
                                  "%s\n"
                                  "[channel battery]\n"
                                  "board = logger\ninput = 0\nrole = battery\ndivider = 5.7\n"
                                  "[channel crank-feed]\n"
                                  "board = logger\ninput = 1\nrole = feed\nnominal = 5\n"
                                  "measured-at = sensor\n"
                                  "[channel crank-return]\n"
                                  "board = logger\ninput = 2\nrole = return\n"
                                  "[channel crank-signal]\n"
                                  "board = logger\ninput = 3\nrole = signal\n"
                                  "[channel cam-signal]\n"
                                  "board = logger\ninput = 4\nrole = signal\n"
                                  "[channel starter-current]\n"
                                  "board = logger\ninput = 5\nrole = starter-current\n"
                                  "amps-per-volt = 200\n"
                                  "[channel ignition]\n"
                                  "board = logger\ninput = 6\nrole = ignition\ndivider = 5.7\n"
                                  "[channel supply]\n"
                                  "board = logger\ninput = 7\nrole = supply\ndivider = 5.7\n"
                                  "[sensor crank]\n"
                                  "kind = hall\nfeed = crank-feed\nreturn = crank-return\n"
                                  "signal = crank-signal\npull-up = 5\nshaft = crank\n"
                                  "wheel = 36-1\n"
                                  "[sensor cam]\n"
                                  "kind = hall\nsignal = cam-signal\npull-up = 5\nshaft = cam\n"
                                  "wheel = 1\n";

struct hookup *van_hookup(const char *board) {
    char text[sizeof hookup_text + 512];
    struct problems problems = {0};
    struct hookup *hookup = NULL;
    int length = snprintf(text, sizeof text, hookup_text, board);
    if (hookup_parse(text, (size_t)length, HOOKUP_FOR_BOARDS, &hookup, &problems) < 0)
        problems_print(&problems, "hookup", stderr);
    problems_clear(&problems);
    return hookup;
}

struct hookup *van_hookup_with_board_file(const char *folder, const char *board) {
    struct problems problems = {0};
    struct hookup *hookup = NULL;
    char path[4200];
    (void)snprintf(path, sizeof path, "%s/van.hookup", folder);
    FILE *file = fopen(path, "we");
    if (!file)
        return NULL;
    int written = fprintf(file, hookup_text, board);
    if (fclose(file) == 0 && written > 0 &&
        hookup_load(path, HOOKUP_FOR_BOARDS, &hookup, &problems) < 0)
        problems_print(&problems, path, stderr);
    problems_clear(&problems);
    return hookup;
}

/* ---- the child ---- */

struct sender {
    int to;
    struct board_description description;
    struct wire_encoder encoder;
    struct van_piece piece;
    size_t used;
    bool failed;
};

static void send_piece(struct sender *sender) {
    size_t length = offsetof(struct van_piece, packets) + sender->used;
    if (send(sender->to, &sender->piece, length, MSG_NOSIGNAL) != (ssize_t)length)
        sender->failed = true;
    sender->piece.scans = 0;
    sender->used = 0;
}

static void on_samples(void *context, const int32_t *counts, size_t scans) {
    struct sender *sender = context;
    for (size_t scan = 0; scan < scans; scan++) {
        int32_t signed_counts[VAN_INPUTS];
        for (size_t input = 0; input < VAN_INPUTS; input++)
            signed_counts[input] = counts[scan * VAN_INPUTS + input] -
                                   (int32_t)lrint(sender->description.zero_counts[input]);
        sender->used += wire_encoder_scan(&sender->encoder, signed_counts,
                                          sender->piece.packets + sender->used);
        if (++sender->piece.scans == VAN_PIECE_SCANS)
            send_piece(sender);
    }
}

static void on_loss(void *context, enum board_loss reason, uint64_t scans) {
    (void)context;
    (void)reason;
    (void)scans;
}

static void on_note(void *context, enum board_note note, int64_t value) {
    (void)context;
    (void)note;
    (void)value;
}

static bool begin(struct sender *sender) {
    double volts_per_count = sender->description.volts_per_count[0];
    const struct wire_board wire = {
        .boot_id = 1,
        .rate_millihz = VAN_RATE_HZ * 1000u,
        .inputs = VAN_INPUTS,
        .bits = WIRE_BITS,
        .is_signed = 1,
        .span_microvolts = (uint32_t)lrint(volts_per_count * (1 << WIRE_BITS) * 1e6),
        .name = "measured board",
    };
    if (wire_encoder_begin(&sender->encoder, &wire, SCANS_PER_PACKET) != 0)
        return false;
    sender->used = wire_encoder_describe(&sender->encoder, sender->piece.packets);
    send_piece(sender);
    return true;
}

/* Runs the simulation to its end; an exit status. */
static int simulate(unsigned seconds, int to) {
    static struct sender sender;
    char rate[16], hours[32], attempts[16];
    snprintf(rate, sizeof rate, "%d", VAN_RATE_HZ);
    snprintf(hours, sizeof hours, "%.9f", seconds / 3600.0);
    snprintf(attempts, sizeof attempts, "%u", seconds / 60);
    const struct board_setting setting[] = {
        {"pace", "free"}, {"rate", rate}, {"inputs", "8"}, {"hours", hours}, {"attempts", attempts},
    };
    const struct board_settings settings = {.count = sizeof setting / sizeof *setting,
                                            .setting = setting};
    const struct board_driver *driver = drivers_find("sim");
    const struct board_sinks sinks = {&sender, on_samples, on_loss, on_note};
    struct board *board = NULL;
    struct board_bytes request;
    char why[256] = "";
    sender.to = to;
    if (driver->open(&settings, &sinks, &board, why, sizeof why) < 0) {
        fprintf(stderr, "the simulated board: %s\n", why);
        return 1;
    }
    bool good = driver->describe(board, &sender.description) == 0 && begin(&sender) &&
                driver->start(board, &request) == 0;
    while (good && !sender.failed && driver->fetch(board, 100) >= 0) {
    }
    driver->close(board);
    return good && !sender.failed ? 0 : 1;
}

int van_board_start(unsigned seconds, pid_t *child) {
    int ends[2];
    if (socketpair(AF_UNIX, SOCK_SEQPACKET | SOCK_CLOEXEC, 0, ends) < 0)
        return -1;
    fflush(NULL);
    pid_t pid = fork();
    if (pid == 0) {
        close(ends[0]);
        _exit(simulate(seconds, ends[1]));
    }
    close(ends[1]);
    if (pid < 0) {
        close(ends[0]);
        return -1;
    }
    *child = pid;
    return ends[0];
}

size_t van_board_read(int board, struct van_piece *piece) {
    ssize_t length = recv(board, piece, sizeof *piece, 0);
    size_t header = offsetof(struct van_piece, packets);
    return length > (ssize_t)header ? (size_t)length - header : 0;
}

int van_board_end(int board, pid_t child) {
    int status = 0;
    close(board);
    if (waitpid(child, &status, 0) < 0)
        return -1;
    return WIFEXITED(status) && WEXITSTATUS(status) == 0 ? 0 : -1;
}

/* ---- a folder ---- */

int van_folder_make(char *path, size_t size) {
    const char *base = getenv("TMPDIR");
    int length = snprintf(path, size, "%s/cranktrap-bench-XXXXXX", base ? base : "/tmp");
    if (length > 0 && (size_t)length < size && mkdtemp(path))
        return 0;
    fprintf(stderr, "%s: %s\n", path, strerror(errno));
    return -1;
}

static int remove_one(const char *path, const struct stat *status, int kind, struct FTW *place) {
    (void)status;
    (void)kind;
    (void)place;
    return remove(path);
}

void van_folder_remove(const char *path) {
    (void)nftw(path, remove_one, 8, FTW_DEPTH | FTW_PHYS);
}
