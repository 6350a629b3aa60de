// SPDX-License-Identifier: Apache-2.0
/*
 * phone.c - `cranktrap phone`: opens the page to the local network and shows the way there: the
 * address, a code for the camera, a card for the box.
 */
#include "client.h"
#include "command.h"
#include "print.h"
#include "qr_code.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const char warning[] =
    "Everybody in that network who has this address can see and change everything here, and it\n"
    "travels as clear text: who listens in can read it, the address too. Use a network of your "
    "own,\n"
    "and close it when you are done: cranktrap phone --close\n";

/* Two rows of the code in one line of text. */
static void print_code(const struct qr_code *code) {
    static const char *const cells[] = {"█", "▀", "▄", " "};
    const int margin = 2;
    for (int y = -margin; y < code->width + margin; y += 2) {
        for (int x = -margin; x < code->width + margin; x++)
            fputs(
                cells[(qr_code_dark(code, x, y) ? 2 : 0) + (qr_code_dark(code, x, y + 1) ? 1 : 0)],
                stdout);
        putchar('\n');
    }
}

/* A card of 85 by 54 mm, as wide as those in a wallet. */
static void write_card(FILE *out, const struct qr_code *code, const char *url) {
    const char *token = strchr(url, '?');
    int host = token ? (int)(token - url) : (int)strlen(url);
    double cell = 44.0 / (code->width ? code->width : 1);
    fprintf(out, "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"85mm\" height=\"54mm\" "
                 "viewBox=\"0 0 85 54\" font-family=\"sans-serif\">\n"
                 "<rect width=\"85\" height=\"54\" rx=\"3\" fill=\"#fff\" stroke=\"#000\" "
                 "stroke-width=\"0.3\"/>\n<path fill=\"#000\" d=\"");
    for (int y = 0; y < code->width; y++)
        for (int x = 0; x < code->width; x++)
            if (qr_code_dark(code, x, y))
                fprintf(out, "M%.3f %.3fh%.3fv%.3fh-%.3fz", 4 + x * cell, 5 + y * cell, cell, cell,
                        cell);
    fprintf(out,
            "\"/>\n<text x=\"51\" y=\"11\" font-size=\"5\" font-weight=\"bold\">cranktrap</text>\n"
            "<text x=\"51\" y=\"18\" font-size=\"2.6\">Point a phone at the code,</text>\n"
            "<text x=\"51\" y=\"22\" font-size=\"2.6\">in the logger&#39;s network.</text>\n"
            "<text x=\"51\" y=\"29\" font-size=\"2.2\">%.*s</text>\n"
            "<text x=\"51\" y=\"40\" font-size=\"2.1\">Who has this card can see and</text>\n"
            "<text x=\"51\" y=\"43.5\" font-size=\"2.1\">change all of it. Clear text on</text>\n"
            "<text x=\"51\" y=\"47\" font-size=\"2.1\">this network.</text>\n</svg>\n",
            host, url);
}

static int save_card(const struct command_line *line, const struct qr_code *code, const char *url) {
    FILE *out = fopen(line->out, "wxe");
    if (!out) {
        command_say(line, "%s: %s", line->out,
                    errno == EEXIST ? "is there already; nothing is overwritten" : strerror(errno));
        return COMMAND_COULD_NOT;
    }
    write_card(out, code, url);
    if (fclose(out) == 0)
        return COMMAND_DONE;
    command_say(line, "%s: %s", line->out, strerror(errno));
    return COMMAND_COULD_NOT;
}

static int show(const struct command_line *line, const char *url) {
    struct qr_code code = {0};
    int made = qr_code_make(url, &code);
    int status = COMMAND_DONE;
    printf("%s\n\n", url);
    if (made == 0)
        print_code(&code);
    else
        puts("(This build makes no code for the camera: libqrencode was missing.)");
    printf("\n%s", warning);
    if (line->out && made < 0) {
        command_say(line, "no card: this build has no libqrencode");
        status = COMMAND_COULD_NOT;
    } else if (line->out) {
        status = save_card(line, &code, url);
    }
    qr_code_done(&code);
    return status;
}

static int answer(const struct command_line *line, bool close, const json_t *phone) {
    const char *url = json_string_value(json_object_get(phone, "url"));
    if (close) {
        puts("Closed: only this computer can ask now.");
        return COMMAND_DONE;
    }
    if (url)
        return show(line, url);
    command_say(line, "it is open, but this computer is in no local network just now");
    return COMMAND_COULD_NOT;
}

int command_phone(const struct command_line *given) {
    struct command_line line = *given;
    const char *hours = command_option(&line, "hours");
    bool close = command_flag(&line, "close");
    int wrong = command_words(&line, 0, 0);
    if (wrong)
        return wrong;
    char *end = NULL;
    double value = hours ? strtod(hours, &end) : 0;
    if (hours && (end == hours || *end || !(value > 0 && value <= 8760)))
        return command_usage(&line, "--hours \"%s\": a number of hours, up to 8760", hours);
    json_t *body = json_pack("{s:f}", "hours", value);
    json_t *phone = NULL;
    int result = client_ask(&line, close ? "DELETE" : "POST", "/v0/phone", close ? NULL : body,
                            false, &phone);
    json_decref(body);
    if (result < 0)
        return COMMAND_COULD_NOT;
    if (line.json)
        return print_json(phone);
    int status = answer(&line, close, phone);
    json_decref(phone);
    return status;
}
