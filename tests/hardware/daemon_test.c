// SPDX-License-Identifier: Apache-2.0
/*
 * daemon_test.c - the unmodified daemon and command, in processes of their own, on a played USB
 * board: what a person would do and see, from `boards` to the board that comes back.
 */
#include "cmocka_helper.h"
#include "mock_usb.h"

#include <fcntl.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <unistd.h>

#define PRELOADED "LD_PRELOAD=libumockdev-preload.so.0"

static char folder[] = "/tmp/usb-daemon-XXXXXX";

static void write_file(const char *name, const char *text) {
    char path[128];
    snprintf(path, sizeof path, "%s/%s", folder, name);
    FILE *file = fopen(path, "w");
    assert_non_null(file);
    fputs(text, file);
    fclose(file);
}

/* The shipped board file under another name, with ids. */
static void write_board_file(void) {
    char text[4000];
    size_t used = 0;
    FILE *file = fopen(CRANKTRAP_SOURCE "/drivers/boards/bulk-packed-12.board", "r");
    assert_non_null(file);
    for (char line[256]; fgets(line, sizeof line, file);)
        used += (size_t)snprintf(text + used, sizeof text - used, "%s%s", line,
                                 strncmp(line, "[board]", 7) == 0 ? "ids = 1209:0002\n" : "");
    fclose(file);
    write_file("counting.board", text);
}

/* What `cranktrap ...` prints; valid until the next call. */
static const char *ask(const char *arguments) {
    static char text[1u << 16];
    char command[600];
    snprintf(command, sizeof command, "%s " CRANKTRAP_BIN "/cranktrap %s --state %s/state 2>&1",
             PRELOADED, arguments, folder);
    FILE *answer = popen(command, "r");
    assert_non_null(answer);
    size_t length = fread(text, 1, sizeof text - 1, answer);
    text[length] = '\0';
    (void)pclose(answer);
    return text;
}

static void wait_for(const char *arguments, const char *part) {
    for (int i = 0; i < 300; i++) {
        if (strstr(ask(arguments), part))
            return;
        usleep(100000);
    }
    fail_msg("`cranktrap %s` never says \"%s\":\n%s", arguments, part, ask(arguments));
}

static void assert_says(const char *arguments, const char *part) {
    const char *answer = ask(arguments);
    if (!strstr(answer, part))
        fail_msg("`cranktrap %s` does not say \"%s\":\n%s", arguments, part, answer);
}

static pid_t start_daemon(void) {
    char hookup[128], state[128], log[128];
    snprintf(hookup, sizeof hookup, "%s/van.hookup", folder);
    snprintf(state, sizeof state, "%s/state", folder);
    snprintf(log, sizeof log, "%s/daemon.log", folder);
    pid_t child = fork();
    assert_true(child >= 0);
    if (child == 0) {
        int file = open(log, O_WRONLY | O_CREAT | O_TRUNC, 0600);
        (void)dup2(file, STDERR_FILENO);
        execl("/usr/bin/env", "env", PRELOADED, CRANKTRAP_BIN "/cranktrapd", "--hookup", hookup,
              "--state", state, (char *)NULL);
        _exit(127);
    }
    return child;
}

/* Ends it by signal; 0 where it ended well (a sanitizer's report ends it otherwise). */
static int end_daemon(pid_t child) {
    int status = -1;
    kill(child, SIGTERM);
    assert_int_equal(waitpid(child, &status, 0), child);
    return WIFEXITED(status) ? WEXITSTATUS(status) : 128 + WTERMSIG(status);
}

static void a_board_file_is_all_it_takes(void **state) {
    (void)state;
    assert_non_null(mkdtemp(folder));
    setenv("CRANKTRAP_BOARDS", folder, 1);
    /* The preloaded library comes before the sanitizer's, which has nothing against it here. */
    setenv("ASAN_OPTIONS", "verify_asan_link_order=0", 1);
    write_board_file();
    write_file("van.hookup", "[vehicle]\nname = van\n[board logger]\nboard = counting\n"
                             "[channel battery]\nboard = logger\ninput = 0\nrole = battery\n"
                             "divider = 6\n");
    struct mock_yard *yard = mock_yard_new();
    struct mock_usb *board = mock_usb_new(yard, 2, "CT0001");

    mock_usb_plug(board);
    assert_says("boards --explain", "taken by board file counting: its ids have 1209:0002");
    assert_says("boards --explain", "not by board file bulk-packed-12: it has no ids");

    assert_says("boards --try counting --for 1s", "Lost: 0 scans.");
    assert_says("boards --try counting --for 1s --json", "\"lowest\":0.0,");
    assert_int_equal(mock_usb_seen(board).claims, 0);

    pid_t daemon = start_daemon();
    wait_for("status --json", "\"state\":\"streaming\"");
    mock_usb_skip(board, 5);
    wait_for("status --json", "\"scans_lost\":420");
    mock_usb_unplug(board);
    wait_for("status", "USB board 1209:0002 has gone");
    mock_usb_plug(board);
    wait_for("status --json", "\"reconnects\":1");
    wait_for("status --json", "\"state\":\"streaming\"");
    assert_says("status --json", "\"losses_of_unknown_size\":1");
    assert_int_equal(end_daemon(daemon), 0);
    assert_int_equal(mock_usb_seen(board).claims, 0);
    mock_yard_free(yard);

    char command[200];
    snprintf(command, sizeof command, "rm -rf %s", folder);
    assert_int_equal(system(command), 0);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_board_file_is_all_it_takes),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
