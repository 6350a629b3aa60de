// SPDX-License-Identifier: Apache-2.0
/*
 * door.h - who may ask. Over the Unix socket: whoever its owner and group let in. Over TCP: the
 * request must name us as its host (a foreign page that has its own name point at our address does
 * not), and come from a page of ours or from none (Origin); beyond this computer, it must know the
 * token besides.
 */
#ifndef CRANKTRAP_DOOR_H
#define CRANKTRAP_DOOR_H

#include "request.h"

/* True: go on. False: what to return from the handler is in `*result`. */
bool door_let_in(struct request *request, const char *url, enum MHD_Result *result);

/* Is this connection over TCP? */
bool door_is_network(struct MHD_Connection *connection);

/* Is it of somebody who needs the token: over TCP, and not from this computer? */
bool door_is_visitor(struct MHD_Connection *connection);

#endif
