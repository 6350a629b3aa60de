// SPDX-License-Identifier: Apache-2.0
/*
 * phone.h - the API opened to the local network, for whoever has the token. It is clear text there:
 * who listens in on that network can read all of it, the token too.
 *
 * Noted in phone.json of the state folder (token and end), so that it is still open after a
 * restart, and on the address the computer has by then. Any thread.
 */
#ifndef CRANKTRAP_PHONE_H
#define CRANKTRAP_PHONE_H

#include "request.h"

/* Closed. 0 or a negative errno. */
int phone_new(struct phone **phone);
void phone_free(struct phone *phone); /* takes NULL */

/* Opens again what was open, and follows the computer's address; the ticker asks now and then. */
void phone_look(struct serve *serve);

/* Does this token open the door just now? NULL: no. Takes the same time for all wrong ones. */
bool phone_admits(struct serve *serve, const char *token);

#endif
