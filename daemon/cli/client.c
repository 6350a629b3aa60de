// SPDX-License-Identifier: Apache-2.0
/*
 * client.c - one request over the daemon's socket, and what its failure means to a person.
 */
#include "client.h"

#include <curl/curl.h>
#include <errno.h>
#include <grp.h>
#include <pwd.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#define ANSWER_MAX (16u << 20)

struct body {
    size_t used;
    char *bytes;
};

static size_t on_bytes(char *bytes, size_t size, size_t count, void *context) {
    struct body *body = context;
    size_t length = size * count;
    if (body->used + length > ANSWER_MAX)
        return 0;
    char *grown = realloc(body->bytes, body->used + length + 1);
    if (!grown)
        return 0;
    memcpy(grown + body->used, bytes, length);
    body->bytes = grown;
    body->used += length;
    body->bytes[body->used] = '\0';
    return length;
}

static void say_no_right(const struct command_line *line, const char *path) {
    struct stat status;
    if (stat(path, &status) < 0) {
        command_say(line, "no right to reach %s; ask as a member of the group cranktrap", path);
        return;
    }
    const struct group *group = getgrgid(status.st_gid);
    const char *group_name = group ? group->gr_name : "?";
    char mode[8];
    snprintf(mode, sizeof mode, "%04o", status.st_mode & 07777u);
    const struct passwd *user = getpwuid(geteuid());
    command_say(line,
                "no right on %s (mode %s, group %s): you are %s; join the group (usermod -aG %s "
                "%s, then log in anew) or ask as root",
                path, mode, group_name, user ? user->pw_name : "?", group_name,
                user ? user->pw_name : "USER");
}

static void say_why(const struct command_line *line, const char *path, int error) {
    if (error == -EACCES)
        say_no_right(line, path);
    else if (error == -ENOENT)
        command_say(line,
                    "no daemon at %s; start cranktrapd, or name its state folder with "
                    "--state DIR",
                    path);
    else if (error == -ECONNREFUSED)
        command_say(line, "nobody listens at %s: the daemon has ended; start cranktrapd again",
                    path);
    else
        command_say(line, "asking the daemon at %s failed: %s", path, strerror(-error));
}

/* libcurl folds all connect failures into one: the socket itself tells which. */
static int connect_error(const char *path) {
    if (access(path, F_OK) < 0)
        return errno == EACCES ? -EACCES : -ENOENT;
    return access(path, W_OK) < 0 ? -EACCES : -ECONNREFUSED;
}

static int read_answer(const struct command_line *line, const struct body *body, long status,
                       bool quiet, json_t **answer) {
    json_error_t error;
    json_t *json = json_loadb(body->bytes ? body->bytes : "", body->used, 0, &error);
    if (status >= 200 && status < 300 && json) {
        *answer = json;
        return 0;
    }
    if (!quiet) {
        const char *text = json_string_value(json_object_get(json, "error"));
        const char *remedy = json_string_value(json_object_get(json, "remedy"));
        command_say(line, "the daemon refused: %s%s%s", text ? text : "no readable answer",
                    remedy ? "; " : "", remedy ? remedy : "");
    }
    json_decref(json);
    return -EREMOTEIO;
}

int client_ask(const struct command_line *line, const char *method, const char *path,
               const json_t *body, bool quiet, json_t **answer) {
    char *socket_path = NULL, *url = NULL, *text = NULL;
    struct body received = {0};
    CURL *curl = NULL;
    int result = -ENOMEM;
    if (asprintf(&socket_path, "%s/cranktrap.sock", line->state) < 0 ||
        asprintf(&url, "http://cranktrap%s", path) < 0)
        goto done;
    if (body && !(text = json_dumps(body, JSON_COMPACT)))
        goto done;
    curl = curl_easy_init();
    if (!curl)
        goto done;
    curl_easy_setopt(curl, CURLOPT_UNIX_SOCKET_PATH, socket_path);
    curl_easy_setopt(curl, CURLOPT_URL, url);
    curl_easy_setopt(curl, CURLOPT_CUSTOMREQUEST, method);
    curl_easy_setopt(curl, CURLOPT_NOPROXY, "*");
    curl_easy_setopt(curl, CURLOPT_TIMEOUT, 90L);
    curl_easy_setopt(curl, CURLOPT_WRITEFUNCTION, on_bytes);
    curl_easy_setopt(curl, CURLOPT_WRITEDATA, &received);
    if (text)
        curl_easy_setopt(curl, CURLOPT_POSTFIELDS, text);

    CURLcode code = curl_easy_perform(curl);
    if (code == CURLE_OK) {
        long status = 0;
        curl_easy_getinfo(curl, CURLINFO_RESPONSE_CODE, &status);
        result = read_answer(line, &received, status, quiet, answer);
    } else {
        result = code == CURLE_COULDNT_CONNECT      ? connect_error(socket_path)
                 : code == CURLE_OPERATION_TIMEDOUT ? -ETIMEDOUT
                                                    : -EIO;
        if (!quiet)
            say_why(line, socket_path, result);
    }
done:
    if (curl)
        curl_easy_cleanup(curl);
    free(received.bytes);
    free(text);
    free(url);
    free(socket_path);
    return result;
}
