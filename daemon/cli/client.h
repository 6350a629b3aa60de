// SPDX-License-Identifier: Apache-2.0
/*
 * client.h - asks the daemon: the API over its Unix socket (libcurl, jansson).
 */
#ifndef CRANKTRAP_CLIENT_H
#define CRANKTRAP_CLIENT_H

#include "command.h"

#include <jansson.h>

/*
 * Sends `method` `path` (with the JSON `body`, or NULL) to the daemon of the state folder. 0 with
 * `*answer` (a new reference), or a negative errno:
 *   -ENOENT / -ECONNREFUSED  no daemon there
 *   -EACCES                  no right on the socket
 *   -EREMOTEIO               the daemon answered with an error
 * Unless `quiet`, what went wrong and what to do is said on stderr.
 */
int client_ask(const struct command_line *line, const char *method, const char *path,
               const json_t *body, bool quiet, json_t **answer);

#endif
