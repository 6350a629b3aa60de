// SPDX-License-Identifier: Apache-2.0
/*
 * rights.h - why this user may not open a node. Internal to drivers/transport.
 */
#ifndef CRANKTRAP_RIGHTS_H
#define CRANKTRAP_RIGHTS_H

#include <stddef.h>

/* A plain sentence: node, mode, owner and group, this user, and what to do. */
void rights_explain(const char *node, char *text, size_t size);

#endif
