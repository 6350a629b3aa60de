// SPDX-License-Identifier: Apache-2.0
/*
 * ask.c - questions to a person.
 */
#include "ask.h"

#include <errno.h>
#include <poll.h>
#include <signal.h>
#include <stdbool.h>
#include <stdio.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#define FRESH_MS 300 /* how often a live line is written anew */

static volatile sig_atomic_t interrupted;

static char held[4 * ASK_BYTES]; /* read, and not yet a line that was asked for */
static size_t held_length;

static void on_interrupt(int number) {
    (void)number;
    interrupted = 1;
}

void ask_begin(void) {
    struct sigaction action = {.sa_handler = on_interrupt}; /* without SA_RESTART */
    interrupted = 0;
    (void)sigaction(SIGINT, &action, NULL);
}

bool ask_interrupted(void) {
    return interrupted != 0;
}

/* The first line of what is held, if there is one; an overlong line is cut. */
static bool take_line(char *line) {
    char *end = memchr(held, '\n', held_length);
    if (!end && held_length < sizeof held)
        return false;
    size_t length = end ? (size_t)(end - held) : held_length;
    size_t used = end ? length + 1 : length;
    size_t kept = length < ASK_BYTES - 1 ? length : ASK_BYTES - 1;
    memcpy(line, held, kept);
    line[kept] = '\0';
    memmove(held, held + used, held_length - used);
    held_length -= used;
    return true;
}

/* Never waits long: a signal may come right before poll(). */
static int read_more(void) {
    struct pollfd waited = {.fd = STDIN_FILENO, .events = POLLIN};
    int ready = poll(&waited, 1, FRESH_MS);
    if (interrupted)
        return -EINTR;
    if (ready <= 0)
        return 0;
    ssize_t got = read(STDIN_FILENO, held + held_length, sizeof held - held_length);
    if (interrupted)
        return -EINTR;
    if (got <= 0)
        return -ENODATA;
    held_length += (size_t)got;
    return 0;
}

static void trim(char *line) {
    size_t begin = strspn(line, " \t\r");
    size_t length = strlen(line + begin);
    memmove(line, line + begin, length + 1);
    while (length > 0 && strchr(" \t\r", line[length - 1]))
        line[--length] = '\0';
}

static void show_above(const struct ask_above *above, bool again) {
    char text[256] = "";
    if (!above)
        return;
    above->text(above->context, text, sizeof text);
    if (again)
        printf("\0337\033[1A\r%s\033[K\0338", text); /* the cursor stays in the answer */
    else
        puts(text);
}

int ask(const char *question, const char *standard, const struct ask_above *above, char *answer) {
    bool terminal = isatty(STDIN_FILENO) && isatty(STDOUT_FILENO);
    char line[ASK_BYTES];
    show_above(above, false);
    printf(standard && *standard ? "%s [%s]: " : "%s: ", question, standard);
    fflush(stdout);
    int result = 0;
    while (result == 0 && !take_line(line)) {
        result = read_more();
        if (result == 0 && terminal && !memchr(held, '\n', held_length)) {
            show_above(above, true);
            fflush(stdout);
        }
    }
    if (!terminal || result < 0)
        putchar('\n');
    if (result < 0)
        return result;
    trim(line);
    snprintf(answer, ASK_BYTES, "%s", *line || !standard ? line : standard);
    return 0;
}

static int find_word(const char *answer, const char *const *words, size_t count) {
    int found = -1;
    size_t length = strlen(answer);
    for (size_t i = 0; i < count; i++) {
        if (strcmp(answer, words[i]) == 0)
            return (int)i;
        if (length && strncmp(answer, words[i], length) == 0)
            found = found == -1 ? (int)i : -2;
    }
    return found;
}

int ask_word(const char *question, const char *const *words, size_t count, size_t standard) {
    char answer[ASK_BYTES];
    for (;;) {
        int result = ask(question, words[standard], NULL, answer);
        if (result < 0)
            return result;
        int found = find_word(answer, words, count);
        if (found >= 0)
            return found;
        fputs("  one of:", stdout);
        for (size_t i = 0; i < count; i++)
            printf(" %s", words[i]);
        putchar('\n');
    }
}

int ask_pause(double seconds) {
    struct timespec rest = {(time_t)seconds, (long)((seconds - (double)(time_t)seconds) * 1e9)};
    fflush(stdout);
    (void)nanosleep(&rest, NULL);
    return interrupted ? -EINTR : 0;
}
