// SPDX-License-Identifier: Apache-2.0
/*
 * document.h - an INI text as sections and entries with their lines. Internal to hookup.
 *
 * inih parses; the reader that feeds it line by line counts the lines, so that every section
 * (also an empty or a repeated one) and every entry knows its place.
 */
#ifndef CRANKTRAP_DOCUMENT_H
#define CRANKTRAP_DOCUMENT_H

#include "arena.h"
#include "problems.h"

#include <stdbool.h>
#include <stddef.h>

struct document_entry {
    const char *key;
    const char *value;
    unsigned line;
    bool used; /* a reader has asked for it: what nobody asks for is unknown */
    struct document_entry *next;
};

struct document_section {
    const char *title; /* as it stands there: "[channel battery]" */
    const char *kind;  /* "channel" */
    const char *name;  /* "battery"; "" where there is none */
    unsigned line;
    struct document_entry *entries;
    struct document_section *next;
};

struct document {
    struct document_section *sections;
};

/*
 * Splits the text. Everything is taken from `arena`. Lines that are no INI, repeated keys and
 * bytes that are no text become problems; the rest is read all the same. 0 or -ENOMEM.
 */
int document_read(const char *text, size_t length, struct arena *arena, struct document *document,
                  struct problems *problems);

#endif
