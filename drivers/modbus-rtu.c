// SPDX-License-Identifier: Apache-2.0
/*
 * modbus-rtu.c - voltage modules on a serial line that are asked for their registers by Modbus RTU,
 * a scan a question. Slow: for battery, feed and supply, not for a crank signal.
 *
 * libmodbus speaks the protocol. What it leaves out is done here: a lock on the port, one limit for
 * the whole of an answer, old bytes thrown away before each question.
 */
#include "board_file.h"
#include "modbus_registers.h"
#include "poll_clock.h"
#include "poll_pace.h"
#include "ports.h"
#include "sentence.h"

#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <math.h>
#include <modbus/modbus.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/ioctl.h>
#include <sys/select.h>
#include <time.h>
#include <unistd.h>

#define MILLISECOND_NS 1000000ll
#define RATE_MAX       200.0

/* Characters of a question and an answer beside the registers, and the silence that frames them:
 * address, function, register, count, check; address, function, length, check; 2 x 3.5. */
#define CHARACTERS_BESIDE 20.0

const struct board_driver board_driver_modbus_rtu;

static const struct board_option options[] = {
    {"rate", BOARD_OPTION_NUMBER, NULL, true, 0.01, RATE_MAX, NULL, "scans a second"},
    {"baud", BOARD_OPTION_WHOLE, "19200", false, 300, 1000000, NULL,
     "bits a second of the serial line, as set in the module"},
    {"parity", BOARD_OPTION_WORD, "even", false, 0, 0, "even|odd|none", "as set in the module"},
    {"stop-bits", BOARD_OPTION_WHOLE, "1", false, 1, 2, NULL, "as set in the module"},
    {"slave", BOARD_OPTION_WHOLE, "1", false, 1, 247, NULL, "address of the module"},
    {"function", BOARD_OPTION_WHOLE, "4", false, 3, 4, NULL,
     "4: the values are input registers; 3: holding registers"},
    {"first-register", BOARD_OPTION_WHOLE, "0", false, 0, 65535, NULL,
     "of input 0, counted from 0 as on the wire (a manual's 30001 or 40001 is 0)"},
    {"inputs", BOARD_OPTION_WHOLE, "8", false, 1, BOARD_INPUTS_MAX, NULL,
     "how many, one after the other"},
    {"format", BOARD_OPTION_WORD, "unsigned-16", false, 0, 0, MODBUS_FORMAT_WORDS,
     "of a value in its registers; swapped: the lower half comes first"},
    {"decimals", BOARD_OPTION_WHOLE, "3", false, 0, 6, NULL,
     "of a float that are kept: 3 makes 12.345 the count 12345"},
    {"lowest", BOARD_OPTION_WHOLE, NULL, false, INT32_MIN, INT32_MAX, NULL,
     "count at the lower end of the range"},
    {"highest", BOARD_OPTION_WHOLE, NULL, false, INT32_MIN, INT32_MAX, NULL,
     "count at the upper end of the range"},
    {"answer", BOARD_OPTION_NUMBER, "0.05", false, 0.005, 0.09, NULL,
     "seconds that an answer may take"},
    {0},
};

struct board {
    struct board_sinks sinks;
    const struct board_file *file;
    const char *device;
    int baud, stop_bits, slave, function, first_register;
    char parity; /* as libmodbus has it: N, E, O */
    double rate_hz;
    size_t inputs;
    struct modbus_registers registers;
    int64_t answer_ns;

    modbus_t *modbus; /* NULL: not started */
    int guard;        /* holds the lock; -1: none */
    struct poll_pace pace;
    char why[256];
};

static double number(const struct board_settings *settings, const char *name, double missing) {
    return board_setting_number(&board_driver_modbus_rtu, settings, name, missing);
}

static void read_settings(struct board *board, const struct board_settings *settings) {
    static const char letters[] = {'E', 'O', 'N'};
    const char *parity = board_setting_text(&board_driver_modbus_rtu, settings, "parity");
    const char *format = board_setting_text(&board_driver_modbus_rtu, settings, "format");
    struct modbus_registers *registers = &board->registers;
    board->rate_hz = number(settings, "rate", 0);
    board->baud = (int)number(settings, "baud", 0);
    board->parity = letters[parity[0] == 'e' ? 0 : parity[0] == 'o' ? 1 : 2];
    board->stop_bits = (int)number(settings, "stop-bits", 0);
    board->slave = (int)number(settings, "slave", 0);
    board->function = (int)number(settings, "function", 0);
    board->first_register = (int)number(settings, "first-register", 0);
    board->inputs = (size_t)number(settings, "inputs", 0);
    registers->format = modbus_format_named(format);
    registers->decimals = (unsigned)number(settings, "decimals", 0);
    registers->lowest =
        (int32_t)number(settings, "lowest", modbus_format_lowest(registers->format));
    registers->highest =
        (int32_t)number(settings, "highest", modbus_format_highest(registers->format));
    board->answer_ns = llround(number(settings, "answer", 0) * 1000) * MILLISECOND_NS;
}

static size_t register_count(const struct board *board) {
    return board->inputs * modbus_format_size(board->registers.format);
}

/* What question and answer take on the wire; the module's own time comes on top. */
static double wire_s(const struct board *board) {
    double bits = 9 + (board->parity != 'N') + board->stop_bits;
    return (CHARACTERS_BESIDE + 2 * (double)register_count(board)) * bits / board->baud;
}

static int check(const struct board *board, char *why, size_t size) {
    if (!(board->rate_hz > 0))
        return sentence(why, size, "rate is missing: how many scans a second?");
    if (register_count(board) > MODBUS_MAX_READ_REGISTERS)
        return sentence(why, size,
                        "inputs = %zu: they take %zu registers, and one answer carries %d",
                        board->inputs, register_count(board), MODBUS_MAX_READ_REGISTERS);
    if (board->first_register + (int)register_count(board) > 65536)
        return sentence(why, size, "first-register = %d: %zu registers from there go beyond 65535",
                        board->first_register, register_count(board));
    if (board->registers.lowest >= board->registers.highest)
        return sentence(why, size, "lowest = %d: must be below highest, which is %d",
                        board->registers.lowest, board->registers.highest);
    if (board->rate_hz * wire_s(board) > 1)
        return sentence(why, size,
                        "rate = %g: at %d baud a question for %zu registers and its answer take "
                        "%.3g s: at most %.3g scans a second; set a higher baud in the module, or "
                        "ask for less",
                        board->rate_hz, board->baud, register_count(board), wire_s(board),
                        floor(10 / wire_s(board)) / 10);
    return 0;
}

static int open_board(const struct board_settings *settings, const struct board_sinks *sinks,
                      struct board **board, char *why, size_t why_size) {
    struct board *made = calloc(1, sizeof *made);
    if (!made) {
        (void)sentence(why, why_size, "not enough memory");
        return -ENOMEM;
    }
    made->sinks = *sinks;
    made->file = settings->file;
    made->device = settings->device;
    made->guard = -1;
    read_settings(made, settings);
    int result = check(made, why, why_size);
    if (result < 0) {
        free(made);
        return result;
    }
    *board = made;
    return 0;
}

static int describe(const struct board *board, struct board_description *description) {
    *description = (struct board_description){
        .inputs = board->inputs, .rate_hz = board->rate_hz, .skew_s = (double)NAN};
    double span = (double)board->registers.highest - board->registers.lowest;
    for (size_t i = 0; i < board->inputs; i++) {
        description->bits[i] = (unsigned)ceil(log2(span + 1));
        description->rail_low[i] = board->registers.lowest;
        description->rail_high[i] = board->registers.highest;
        description->volts_per_count[i] = (double)NAN;
    }
    board_file_describe(board->file, description);
    return 0;
}

/* ---- the port ---- */

static void close_port(struct board *board) {
    if (board->modbus) {
        modbus_close(board->modbus);
        modbus_free(board->modbus);
    }
    board->modbus = NULL;
    if (board->guard >= 0) {
        (void)ioctl(board->guard, TIOCNXCL);
        close(board->guard);
    }
    board->guard = -1;
}

/* First the lock: a port in use is never configured anew. */
static int lock(struct board *board, const char *node) {
    board->guard = open(node, O_RDWR | O_NOCTTY | O_NONBLOCK | O_CLOEXEC);
    if (board->guard < 0)
        return -errno;
    if (flock(board->guard, LOCK_EX | LOCK_NB) < 0)
        return errno == EWOULDBLOCK ? -EBUSY : -errno;
    return 0;
}

static int connect_port(struct board *board, const char *node) {
    board->modbus = modbus_new_rtu(node, board->baud, board->parity, 8, board->stop_bits);
    if (!board->modbus)
        return -errno;
    if (modbus_set_slave(board->modbus, board->slave) < 0 || modbus_connect(board->modbus) < 0)
        return errno == ENOTTY ? -EINVAL : -errno;
    if (modbus_get_socket(board->modbus) >= FD_SETSIZE)
        return -EMFILE; /* libmodbus waits by select() */
    /* Without a limit between bytes that of the answer is one for the whole of it. */
    (void)modbus_set_byte_timeout(board->modbus, 0, 0);
    (void)ioctl(board->guard, TIOCEXCL); /* beside the lock, for programs that take none */
    return 0;
}

static int start(struct board *board, struct board_bytes *request) {
    char node[PATH_MAX];
    request->count = 0;
    board->why[0] = '\0';
    close_port(board);
    int result = board->device ? ports_resolve(board->device, node, sizeof node) : -ENOENT;
    if (result == 0)
        result = lock(board, node);
    if (result == 0)
        result = connect_port(board, node);
    if (result < 0) {
        close_port(board);
        return result;
    }
    poll_pace_begin(&board->pace, board->rate_hz, poll_clock_ns());
    return 0;
}

static int stop(struct board *board, struct board_bytes *request) {
    request->count = 0;
    close_port(board);
    return 0;
}

static void close_board(struct board *board) {
    if (!board)
        return;
    close_port(board);
    free(board);
}

/* ---- asking ---- */

static bool port_has_gone(int code) {
    return code == EIO || code == ENXIO || code == ENODEV || code == EPIPE || code == ECONNRESET ||
           code == EBADF;
}

/* What was wrong with the last answer, for the owner and for the stream. */
static enum board_loss judge(struct board *board, int code) {
    char *why = board->why;
    size_t size = sizeof board->why;
    if (code == ETIMEDOUT) {
        (void)sentence(why, size,
                       "the module does not answer within %g s: check its power, that A and B are "
                       "not swapped, slave = %d, baud, parity",
                       (double)board->answer_ns / 1e9, board->slave);
        return BOARD_LOSS_NO_ANSWER;
    }
    if (code > MODBUS_ENOBASE && code < EMBBADCRC) {
        (void)sentence(
            why, size,
            "the module refuses, exception %d (%s): look at function, first-register and "
            "inputs",
            code - MODBUS_ENOBASE, modbus_strerror(code));
        return BOARD_LOSS_REFUSED;
    }
    (void)sentence(why, size,
                   "answers arrive damaged (%s): check baud, parity, the cable, and that no two "
                   "modules have address %d",
                   modbus_strerror(code), board->slave);
    return BOARD_LOSS_DAMAGED;
}

/* One question and its answer. 1: a scan, 0: none, or -ENODEV. */
static int ask(struct board *board, int64_t answer_ns) {
    uint16_t registers[MODBUS_MAX_READ_REGISTERS];
    int32_t counts[BOARD_INPUTS_MAX];
    int count = (int)register_count(board);
    (void)modbus_set_response_timeout(board->modbus, 0, (uint32_t)(answer_ns / 1000));
    (void)modbus_flush(
        board->modbus); /* an answer that came too late is not one to this question */
    int read =
        board->function == 4
            ? modbus_read_input_registers(board->modbus, board->first_register, count, registers)
            : modbus_read_registers(board->modbus, board->first_register, count, registers);
    int code = read == count ? 0 : read < 0 ? errno : EMBBADDATA;
    if (port_has_gone(code)) {
        board->why[0] = '\0';
        return -ENODEV;
    }
    if (code) {
        poll_pace_missed(&board->pace, judge(board, code), poll_clock_ns());
        return 0;
    }
    if (!modbus_registers_counts(&board->registers, registers, board->inputs, counts)) {
        (void)sentence(board->why, sizeof board->why,
                       "what comes is no number: format does not fit the module");
        poll_pace_missed(&board->pace, BOARD_LOSS_DAMAGED, poll_clock_ns());
        return 0;
    }
    board->why[0] = '\0';
    poll_pace_scan(&board->pace, &board->sinks, counts, poll_clock_ns());
    return 1;
}

static int fetch(struct board *board, int deadline_ms) {
    if (!board->modbus)
        return -ENODEV;
    int64_t now = poll_clock_ns(), until = now + deadline_ms * MILLISECOND_NS;
    int64_t due = poll_pace_due_ns(&board->pace);
    int64_t answer =
        board->answer_ns < until - now ? board->answer_ns : deadline_ms * MILLISECOND_NS;
    if (due > now && due > until - answer) { /* no time for both: the next call asks at once */
        poll_clock_wait(due < until ? due : until);
        return 0;
    }
    if (due > now)
        poll_clock_wait(due);
    return ask(board, answer);
}

static const char *explain(const struct board *board) {
    return board->why;
}

const struct board_driver board_driver_modbus_rtu = {
    .interface = BOARD_INTERFACE,
    .name = "modbus-rtu",
    .summary = "voltage modules that are asked by Modbus RTU over a serial line, 10 to 100 scans/s",
    .shape = BOARD_POLL,
    .bus = BOARD_SERIAL,
    .maturity = BOARD_TRIED_ON_FAKES_ONLY,
    .options = options,
    .silence_limit_s = 3,
    .open = open_board,
    .describe = describe,
    .start = start,
    .fetch = fetch,
    .explain = explain,
    .stop = stop,
    .close = close_board,
};
