// SPDX-License-Identifier: Apache-2.0
/*
 * hookup_talk.c - the conversation from the board to the file.
 */
#include "hookup_talk.h"

#include "hookup.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static const char *const yes_no[] = {"yes", "no"};

static int ask_number(const char *question, const char *standard, size_t least, size_t most,
                      size_t *number) {
    char answer[ASK_BYTES];
    for (;;) {
        int result = ask(question, standard, NULL, answer);
        if (result < 0)
            return result;
        char *end;
        unsigned long read = strtoul(answer, &end, 10);
        if (*answer && !*end && read >= least && read <= most) {
            *number = read;
            return 0;
        }
        printf("  a number from %zu to %zu\n", least, most);
    }
}

static int ask_vehicle(struct draft *draft) {
    static const char *const volts[] = {"12", "24"};
    static const char *const grounds[] = {"battery-negative", "engine", "body", "ecu"};
    size_t cylinders = 0;
    int result = ask("\nThe vehicle's name, as a report shall call it", NULL, NULL, draft->vehicle);
    if (result == 0)
        result = ask("Its complaint, in the customer's words", NULL, NULL, draft->complaint);
    if (result == 0)
        result = ask_number("Cylinders", "4", 1, 24, &cylinders);
    if (result < 0)
        return result;
    snprintf(draft->cylinders, sizeof draft->cylinders, "%zu", cylinders);
    int system = ask_word("Volts of its system", volts, 2, 0);
    if (system < 0)
        return system;
    snprintf(draft->system, sizeof draft->system, "%s", volts[system]);
    int ground = ask_word("The board's ground lead is clipped to", grounds, 4, 0);
    if (ground < 0)
        return ground;
    return ground_point_from_name(grounds[ground], &draft->ground);
}

static int ask_leads(struct draft *draft, struct hookup_live *live) {
    struct board_description description;
    char standard[16];
    if (!hookup_live_described(live, &description))
        return -EAGAIN;
    snprintf(standard, sizeof standard, "%zu", description.inputs);
    size_t count = 0;
    int result = ask_number("How many of its inputs, from 0 on, have a lead", standard, 1,
                            description.inputs, &count);
    puts("\nEach lead in turn. Key on gives the readings that tell most; nothing has to turn.");
    for (size_t input = 0; result == 0 && input < count; input++) {
        draft->lead_count = input + 1;
        result = hookup_ask_lead(draft, live, input);
    }
    return result;
}

/* ---- the file ---- */

static int write_text(const char *path, const char *text) {
    FILE *file = fopen(path, "we");
    if (!file)
        return -errno;
    int result = fputs(text, file) < 0 || fflush(file) != 0 || fsync(fileno(file)) < 0 ? -errno : 0;
    if (fclose(file) != 0 && result == 0)
        result = -errno;
    return result;
}

/* What `hookup --check` would say of it. 1 sound, 0 not. */
static int check(const char *part, const char *path) {
    struct problems problems = {0};
    struct hookup *hookup = NULL;
    int result = hookup_load(part, HOOKUP_FOR_BOARDS, &hookup, &problems);
    hookup_free(hookup);
    problems_print(&problems, path, stdout);
    problems_clear(&problems);
    return result == 0 ? 1 : result == -EINVAL ? 0 : result;
}

/* Shows and checks: 1 to be written, 0 not at all, 2 leads were changed: once more. */
static int ask_verdict(struct draft *draft, struct hookup_live *live, const char *text,
                       bool sound) {
    char answer[ASK_BYTES];
    printf("\n---- the file ----\n%s------------------\n%s\n", text,
           sound ? "It is sound." : "It is NOT sound: nothing would start with it. See above.");
    for (;;) {
        int result = ask(sound ? "Write it (yes), an input's number to ask for it again, or no"
                               : "An input's number to ask for it again, or no to leave",
                         sound ? "yes" : NULL, NULL, answer);
        if (result < 0)
            return result;
        if (strcmp(answer, "no") == 0 || strcmp(answer, "n") == 0)
            return 0;
        if (sound && (strcmp(answer, "yes") == 0 || strcmp(answer, "y") == 0))
            return 1;
        char *end;
        unsigned long input = strtoul(answer, &end, 10);
        if (!*answer || *end || input >= draft->lead_count)
            continue;
        result = hookup_ask_lead(draft, live, input);
        return result < 0 ? result : 2;
    }
}

/* Can a file be made in its folder? 0 or a negative errno. */
static int folder_is_good(const char *path) {
    char folder[ASK_BYTES];
    snprintf(folder, sizeof folder, "%s", path);
    char *slash = strrchr(folder, '/');
    if (slash)
        slash[slash == folder] = '\0';
    return access(slash ? folder : ".", W_OK | X_OK) < 0 ? -errno : 0;
}

static int ask_path(const struct command_line *line, char *path) {
    snprintf(path, ASK_BYTES, "%s", line->out ? line->out : "");
    while (!*path) {
        int result = ask("Into which file", "vehicle.hookup", NULL, path);
        if (result < 0)
            return result;
        result = folder_is_good(path);
        if (result < 0) {
            printf("  %s: %s\n", path, strerror(-result));
            *path = '\0';
        }
    }
    if (access(path, F_OK) < 0)
        return 0;
    printf("%s is there already.\n", path);
    int answer = ask_word("Overwrite it", yes_no, 2, 1);
    return answer == 1 ? -EEXIST : answer;
}

/* Writes beside it, checks that, and gives it the name only with the person's yes. 1: written. */
static int settle(struct draft *draft, struct hookup_live *live, const char *path) {
    char part[ASK_BYTES + 8];
    snprintf(part, sizeof part, "%s.part", path);
    int result = 2;
    while (result == 2) {
        char *text = draft_text(draft);
        result = text ? write_text(part, text) : -ENOMEM;
        if (result == 0)
            result = check(part, path);
        if (result >= 0)
            result = ask_verdict(draft, live, text, result == 1);
        free(text);
    }
    if (result == 1 && rename(part, path) < 0)
        result = -errno;
    if (result != 1)
        (void)unlink(part);
    return result;
}

/* ---- all of it ---- */

static void greet(void) {
    puts(
        "Which lead is on which input? Enter takes what stands in [brackets]; the first letters "
        "of\n"
        "a word will do. Ctrl-C leaves nothing behind.\n\n"
        "Before a lead goes on: ignition off; leads secured, and fused at the battery's post; "
        "never\n"
        "a board input straight on battery or coil voltage; off high-voltage and airbag circuits.\n"
        "docs/wiring.md has a front end. Nothing here needs the engine to be cranked.\n");
}

static int say_end(const struct command_line *line, int result, const char *path) {
    if (result == 1) {
        printf("%s is written. Next: cranktrapd --hookup %s, then cranktrap ready.\n", path, path);
        return COMMAND_DONE;
    }
    command_say(line, "nothing was written%s%s",
                result == 0 || result == -EEXIST || result == -EINTR ? "" : ": ",
                result == 0 || result == -EEXIST || result == -EINTR ? ""
                : result == -ENODATA                                 ? "the input has ended"
                                                                     : strerror(-result));
    return COMMAND_COULD_NOT;
}

int hookup_talk(const struct command_line *line) {
    char path[ASK_BYTES] = "";
    struct hookup_live *live = NULL;
    struct draft *draft = calloc(1, sizeof *draft);
    int result = draft ? 0 : -ENOMEM;
    if (result == 0 && line->out && (result = folder_is_good(line->out)) < 0) {
        command_say(line, "%s: %s: nothing was asked", line->out, strerror(-result));
        free(draft);
        return COMMAND_COULD_NOT;
    }
    ask_begin();
    greet();
    if (result == 0)
        result = hookup_ask_board(draft, &live);
    if (result == 0)
        result = ask_vehicle(draft);
    if (result == 0)
        result = ask_leads(draft, live);
    if (result == 0)
        result = ask_path(line, path);
    if (result == 0)
        result = settle(draft, live, path);
    hookup_live_close(live);
    free(draft);
    return say_end(line, result, path);
}
