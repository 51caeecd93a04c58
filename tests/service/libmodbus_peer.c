/* A test peer: a server on libmodbus with one lumped heat capacity behind its registers. Not part of the product.
   argv[1]: serial port. A line ten times a second says how it stands; "arm 1", "door 0" on standard input move contacts. */
#include <errno.h>
#include <modbus.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/select.h>
#include <time.h>
#include <unistd.h>

enum { UNIT = 1, MODULATOR = 0, CONTACTOR = 1, SEEN = 3, DOOR = 4, ARM = 5, COUNTER = 3, TIME_OUT = 30 };

static double now_s(void) {
    struct timespec at;
    clock_gettime(CLOCK_MONOTONIC, &at);
    return (double)at.tv_sec + (double)at.tv_nsec * 1e-9;
}

static void hear(modbus_mapping_t *map) {
    char line[64], name[16];
    int value;
    ssize_t got = read(STDIN_FILENO, line, sizeof line - 1);
    if (got <= 0) {
        exit(0);
    }
    line[got] = '\0';
    if (sscanf(line, "%15s %d", name, &value) == 2) {
        map->tab_input_bits[strcmp(name, "arm") == 0 ? ARM : DOOR] = (uint8_t)value;
    }
}

int main(int argc, char **argv) {
    modbus_t *line = argc > 1 ? modbus_new_rtu(argv[1], 115200, 'N', 8, 1) : NULL;
    modbus_mapping_t *map = modbus_mapping_new(16, 16, 40, 40);
    uint8_t query[MODBUS_RTU_MAX_ADU_LENGTH];
    double air_c = 21.0, before_s = now_s(), asked_s = before_s, said_s = before_s;
    if (line == NULL || map == NULL || modbus_set_slave(line, UNIT) || modbus_connect(line)) {
        fprintf(stderr, "%s\n", modbus_strerror(errno));
        return 1;
    }
    map->tab_input_bits[DOOR] = 1;
    for (;;) {
        struct timeval wait = { 0, 20000 };
        fd_set ready;
        int port = modbus_get_socket(line);
        FD_ZERO(&ready);
        FD_SET(port, &ready);
        FD_SET(STDIN_FILENO, &ready);
        if (select(port + 1, &ready, NULL, NULL, &wait) < 0) {
            return 1;
        }
        if (FD_ISSET(STDIN_FILENO, &ready)) {
            hear(map);
        }
        if (FD_ISSET(port, &ready)) {
            int got = modbus_receive(line, query);
            if (got > 0) {
                asked_s = now_s();
                modbus_reply(line, query, got, map);
            } else if (got < 0 && (errno == EIO || errno == ENODEV)) {
                return 0;
            }
        }
        double at_s = now_s();
        if (map->tab_registers[TIME_OUT] && at_s - asked_s >= map->tab_registers[TIME_OUT] / 10.0) {
            map->tab_bits[MODULATOR] = map->tab_bits[CONTACTOR] = 0;
        }
        int heats = map->tab_bits[MODULATOR] && map->tab_bits[CONTACTOR];
        air_c += (at_s - before_s) * ((heats ? 450.0 : 0.0) - 0.6 * (air_c - 21.0)) / 700.0;
        before_s = at_s;
        map->tab_input_bits[SEEN] = map->tab_bits[CONTACTOR];
        for (int at = 0; at < 3; at++) {
            map->tab_input_registers[at] = (uint16_t)(int16_t)(air_c * 100.0 + 0.5);
        }
        map->tab_input_registers[COUNTER] = (uint16_t)(at_s * 20.0);
        if (at_s - said_s >= 0.1) {
            said_s = at_s;
            printf("{\"coils\": [%d, %d, %d], \"heats\": %s, \"values\": [%d], \"time_out\": %d}\n", map->tab_bits[0],
                   map->tab_bits[1], map->tab_bits[2], heats ? "true" : "false", map->tab_input_registers[0],
                   map->tab_registers[TIME_OUT]);
            fflush(stdout);
        }
    }
}
