/*
 * A small kiln controller in C, written from docs/program-bench.md alone.
 *
 * C11 and the standard library only:
 *
 *     cc -std=c11 -O1 -o controller controller.c -lm
 *     ./controller [--mistake fault-time-in-a-byte]
 *
 * It fires ramps and holds with time-proportioned element relays behind a
 * safety contactor, and takes the heat off when a probe breaks, a reading jumps,
 * the temperature runs away or passes the top, something heats that was not
 * asked to, nothing answers the heat, the firing takes too long, the lid opens
 * or stop is pressed. A fault and a running firing outlive a supply cut.
 *
 * Times are microseconds of the bench's clock, temperatures degrees Celsius.
 */
#include <math.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { MAX_LINE = 65536, MAX_NODES = 2048, MAX_ZONES = 8, MAX_SEGMENTS = 16, MAX_NAME = 64 };

static const int64_t SECOND = 1000000;
static const int64_t TICK = 500000;              /* regulation and guards */
static const int64_t CONTACTOR_LEAD = 300000;    /* the contactor closes first and opens last */
static const int FAULT_TICKS = 6;                /* 3 s of faults: one bad sample does not trip */
static const double JUMP = 50.0;                 /* no kiln moves so far between two looks */
static const double RUNAWAY = 28.0;              /* above the set-point */
static const double UNASKED_RISE = 18.0;         /* rise with the element off */
static const double HOLD_BACK = 15.0;            /* the set-point waits for the kiln */
static const double RESUME_WITHIN = 40.0;        /* after a supply cut */
static const int64_t STALL_TIME = 20 * 60 * 1000000LL;
static const double STALL_RISE = 10.0;
static const int64_t FROZEN_TIME = 12 * 60 * 1000000LL;   /* not one step of change while heating */
static const double SPREAD = 100.0;              /* zones so far apart for a minute: a probe is out, or crossed */
static const int SPREAD_TICKS = 120;

/* ---- JSON: a line becomes a flat list of nodes, children behind their parent ---- */

typedef struct {
    char kind;          /* { [ " or the first letter of a number or word */
    const char *text;   /* of a string, number or word */
    int length, end;    /* of the text; index behind the last descendant */
} Node;

static Node nodes[MAX_NODES];
static int count;

static const char *blank(const char *p) {
    while (*p == ' ' || *p == '\t' || *p == '\r' || *p == '\n') p++;
    return p;
}

static const char *parse(const char *p) {
    p = blank(p);
    if (count == MAX_NODES || *p == 0) return NULL;
    int self = count++;
    Node *node = &nodes[self];
    node->kind = *p;
    if (*p == '{' || *p == '[') {
        char close = *p == '{' ? '}' : ']';
        p = blank(p + 1);
        while (*p != close) {
            if ((p = parse(p)) == NULL) return NULL;
            p = blank(p);
            if (*p == ',' || *p == ':') p = blank(p + 1);
            else if (*p != close) return NULL;
        }
        p++;
    } else if (*p == '"') {
        node->text = ++p;
        while (*p != '"') {
            if (*p == 0) return NULL;
            p += *p == '\\' && p[1] ? 2 : 1;
        }
        node->length = (int)(p++ - node->text);
    } else {
        node->text = p;
        while (*p && !strchr(",]} \t\r\n", *p)) p++;
        node->length = (int)(p - node->text);
    }
    nodes[self].end = count;
    return p;
}

static bool is(int node, const char *text) {
    return node >= 0 && nodes[node].kind == '"' && (int)strlen(text) == nodes[node].length &&
           memcmp(nodes[node].text, text, (size_t)nodes[node].length) == 0;
}

/* The value of a key; -1: there is none. */
static int get(int object, const char *key) {
    if (object < 0 || nodes[object].kind != '{') return -1;
    for (int i = object + 1; i < nodes[object].end; i = nodes[i + 1].end)
        if (is(i, key)) return i + 1;
    return -1;
}

static double number(int node) { return node < 0 ? 0.0 : strtod(nodes[node].text, NULL); }
static int64_t whole(int node) { return node < 0 ? 0 : strtoll(nodes[node].text, NULL, 10); }
static bool truth(int node) { return node >= 0 && nodes[node].kind == 't'; }

static void copy(char *to, size_t room, int node) {
    size_t length = node < 0 || nodes[node].kind != '"' ? 0 : (size_t)nodes[node].length;
    if (length >= room) length = room - 1;
    if (length) memcpy(to, nodes[node].text, length);
    to[length] = 0;
}

/* ---- the controller ---- */

typedef struct { bool hold; double amount, target; } Segment;   /* °C/h and °C, or µs */

typedef struct {
    char name[MAX_NAME], relay[MAX_NAME + 8];
    bool has_probe, has_relay, faulty, pending, known;
    int fault_ticks;
    uint8_t fault_ms;          /* only for the mistake: a byte for 3000 */
    double celsius, sample, lowest_off, stall_celsius, integral, duty;
    int jump_ticks, runaway_ticks, over_ticks;
    double frozen_celsius;
    int64_t stall_since, frozen_since, cycle_began;
    bool on;
} Zone;

static Zone zones[MAX_ZONES];
static int zone_count;
static bool has_contactor, fault_time_in_a_byte;
static Segment program[MAX_SEGMENTS];
static int segment_count;
static enum { IDLE, FIRING, FINISHED, TRIPPED } state = IDLE;
static bool resume, start_wanted;
static int place;
static double set_point, kept_celsius;
static int64_t hold_left, elapsed, longest, cycle_time, last_tick, contactor_since = -1, elements_off_since = -1;
static double top;
static bool lid, stop, start_was = true;   /* a button that is down at power-up was not pressed */
static int spread_ticks;
static char said[512], why[96];
static bool changed;

static void say(const char *text) {
    size_t used = strlen(said);
    snprintf(said + used, sizeof said - used, "%s\"%s\"", used ? "," : "", text);
}

static void trip(const char *reason) {
    if (state == TRIPPED) return;
    state = TRIPPED;
    resume = false;
    snprintf(why, sizeof why, "tripped: %s", reason);
    say(why);
    changed = true;
}

static double hottest(void) {
    double value = -1e9;
    for (int i = 0; i < zone_count; i++) if (zones[i].has_probe && zones[i].celsius > value) value = zones[i].celsius;
    return value;
}

static double coolest(void) {
    double value = 1e9;
    for (int i = 0; i < zone_count; i++) if (zones[i].has_probe && zones[i].celsius < value) value = zones[i].celsius;
    return value;
}

static bool all_known(void) {
    for (int i = 0; i < zone_count; i++) if (zones[i].has_probe && (!zones[i].known || zones[i].faulty)) return false;
    return true;
}

static bool any_pending(void) {
    for (int i = 0; i < zone_count; i++) if (zones[i].has_probe && zones[i].pending) return true;
    return false;
}

/* `150 C/h to 1000 C; hold 1 h 30 min`; false: not understood, nothing is changed. */
static bool take_program(const char *text) {
    Segment taken[MAX_SEGMENTS];
    int used = 0;
    while (*text) {
        while (*text == ' ' || *text == ';') text++;
        if (!*text) break;
        if (used == MAX_SEGMENTS) return false;
        double rate, target;
        int length = 0;
        if (strncmp(text, "hold", 4) == 0) {
            double value, total = 0;
            char unit[4];
            text += 4;
            while (sscanf(text, " %lf %3[a-z]%n", &value, unit, &length) == 2) {
                double scale = !strcmp(unit, "h") ? 3600 : !strcmp(unit, "min") ? 60 : !strcmp(unit, "s") ? 1 : 0;
                if (scale == 0) return false;
                total += value * scale;
                text += length;
            }
            if (used == 0 || total < 1 || total > 24 * 3600) return false;
            taken[used++] = (Segment){true, total * (double)SECOND, 0};
        } else if (sscanf(text, "%lf C/h to %lf C%n", &rate, &target, &length) == 2 && length > 0) {
            if (!(rate >= 1 && rate <= 1000) || !(target >= 20 && target <= top - 5)) return false;
            taken[used++] = (Segment){false, rate, target};
            text += length;
        } else {
            return false;
        }
        while (*text == ' ') text++;
        if (*text && *text != ';') return false;
    }
    if (used == 0) return false;
    memcpy(program, taken, sizeof program);
    segment_count = used;
    return true;
}

static void enter_segment(void) { hold_left = program[place].hold ? (int64_t)program[place].amount : 0; }

static void arm(int64_t now) {
    for (int i = 0; i < zone_count; i++) {
        Zone *zone = &zones[i];
        zone->integral = zone->duty = 0;
        zone->cycle_began = now - cycle_time + i * cycle_time / zone_count;
        zone->lowest_off = zone->stall_celsius = zone->celsius;
        zone->stall_since = zone->frozen_since = now;
        zone->fault_ticks = zone->fault_ms = zone->jump_ticks = zone->runaway_ticks = 0;
    }
    changed = true;
}

static void begin(int64_t now) {
    start_wanted = false;
    if (any_pending()) {           /* just switched on: the converters need a moment */
        start_wanted = true;
        return;
    }
    const char *no = state == TRIPPED ? "a fault is latched" : state == FIRING || resume ? "already firing"
                   : segment_count == 0 ? "no program" : !all_known() ? "a probe has no reading"
                   : lid ? "lid is open" : stop ? "stop is pressed" : hottest() > top ? "too hot" : NULL;
    if (no) {
        say(no);
        return;
    }
    state = FIRING;
    place = 0;
    elapsed = 0;
    set_point = coolest();
    enter_segment();
    arm(now);
    say("firing");
}

static void end_firing(const char *text) {
    state = FINISHED;
    resume = false;
    say(text);
    changed = true;
}

static void acknowledge(void) {
    if (state == TRIPPED && all_known() && hottest() <= top) {
        state = IDLE;
        say("acknowledged");
        changed = true;
    }
}

static void wake_from(const char *kept) {
    int was, segment, used = 0;
    char line[512];
    double point, celsius;
    long long left, time;
    if (sscanf(kept, "%d %d %lf %lf %lld %lld %511[^|]%n", &was, &segment, &point, &celsius, &left, &time, line, &used) < 6) {
        trip("memory is damaged");
        return;
    }
    if (used > 0) take_program(line);
    if (was == TRIPPED) {
        state = TRIPPED;
    } else if (was == FIRING && segment < segment_count) {
        resume = true;
        place = segment;
        set_point = point;
        kept_celsius = celsius;
        hold_left = left;
        elapsed = time + 10 * SECOND;   /* what was not yet kept counts whole */
    }
}

static void keep(char *to, size_t room) {
    int now = resume ? FIRING : state;
    int used = snprintf(to, room, "%d %d %.2f %.2f %lld %lld ", now, place, set_point,
                        resume ? kept_celsius : coolest(), (long long)hold_left, (long long)elapsed);
    for (int i = 0; i < segment_count && used < (int)room; i++) {
        const Segment *segment = &program[i];
        used += segment->hold ? snprintf(to + used, room - (size_t)used, "hold %.0f s;", segment->amount / (double)SECOND)
                              : snprintf(to + used, room - (size_t)used, "%.3f C/h to %.3f C;", segment->amount, segment->target);
    }
}

static void go_on(int64_t now) {
    resume = false;
    if (kept_celsius - coolest() > RESUME_WITHIN) {
        end_firing("supply was off: the kiln is too cold to go on");
        return;
    }
    state = FIRING;
    if (!program[place].hold) set_point = fmin(set_point, coolest());
    arm(now);
    say("supply was off: firing goes on");
}

/* A probe, once a tick. */
static void look(Zone *zone) {
    if (zone->faulty) {
        /* The mistake: a byte never gets to 3000. */
        zone->fault_ms = (uint8_t)(zone->fault_ms + TICK / 1000);
        zone->fault_ticks++;
        bool lasted = fault_time_in_a_byte ? (int)zone->fault_ms >= 3000 : zone->fault_ticks >= FAULT_TICKS;
        if (lasted && (state == FIRING || resume)) trip("probe has no reading");
        return;
    }
    zone->fault_ticks = zone->fault_ticks > 0 ? zone->fault_ticks - 1 : 0;
    if (zone->known && state == FIRING && fabs(zone->sample - zone->celsius) > JUMP) {
        if (++zone->jump_ticks >= FAULT_TICKS) trip("reading jumps");
        return;
    }
    zone->jump_ticks = 0;
    zone->celsius = zone->sample;
    zone->known = true;
    zone->over_ticks = zone->celsius > top ? zone->over_ticks + 1 : 0;
    if (zone->over_ticks >= 4) trip("above the top temperature");
}

static void guard(Zone *zone, int64_t now) {
    if (zone->celsius > set_point + RUNAWAY && zone->celsius > zone->lowest_off + 2) zone->runaway_ticks++;
    else zone->runaway_ticks = 0;
    if (zone->runaway_ticks >= 20) trip("runaway");
    if (zone->on || zone->duty > 0.02) zone->lowest_off = zone->celsius;
    else zone->lowest_off = fmin(zone->lowest_off, zone->celsius);
    if (zone->celsius > zone->lowest_off + UNASKED_RISE) trip("heat that was not asked for");
    if (zone->duty < 0.95 || zone->celsius > 600 || zone->celsius > zone->stall_celsius + STALL_RISE) {
        zone->stall_celsius = zone->celsius;
        zone->stall_since = now;
    } else if (now - zone->stall_since > STALL_TIME) {
        trip("no rise at full heat");
    }
    if (zone->duty < 0.3 || zone->celsius != zone->frozen_celsius) {
        zone->frozen_celsius = zone->celsius;
        zone->frozen_since = now;
    } else if (now - zone->frozen_since > FROZEN_TIME) {
        trip("reading is frozen");
    }
}

static void follow(int64_t passed) {
    elapsed += passed;
    if (elapsed > longest) {
        trip("firing too long");
        return;
    }
    const Segment *segment = &program[place];
    bool done;
    if (segment->hold) {
        if (fabs(set_point - coolest()) <= HOLD_BACK) hold_left -= passed;
        done = hold_left <= 0;
    } else {
        double step = segment->amount * (double)passed / 3600e6;
        if (segment->target >= set_point) {
            if (set_point - coolest() < HOLD_BACK) set_point = fmin(segment->target, set_point + step);
            done = set_point >= segment->target;
        } else {
            if (hottest() - set_point < HOLD_BACK) set_point = fmax(segment->target, set_point - step);
            done = set_point <= segment->target;
        }
    }
    if (!done) return;
    if (++place == segment_count) {
        place--;
        end_firing("finished");
    } else {
        enter_segment();
        changed = true;
    }
}

static void regulate(Zone *zone, int64_t now) {
    if (now - zone->cycle_began >= cycle_time) {
        double error = set_point - (zone->has_probe ? zone->celsius : hottest());
        double climb = program[place].hold ? 0 : (program[place].target >= set_point ? 1 : -1) * program[place].amount / 900.0;
        double expected = 0.55 * pow(fmax(set_point, 0) / 1280.0, 2) + climb;
        double wanted = expected + error / 35.0 + zone->integral;
        if (wanted > 0 && wanted < 1) zone->integral += error / 35.0 * (double)cycle_time / 900e6;
        zone->duty = fmin(fmax(wanted, 0), 1);
        zone->cycle_began = now;
    }
    double on_for = zone->duty * (double)cycle_time, least = 2.0 * (double)SECOND;
    if (on_for < least) on_for = on_for < least / 2 ? 0 : least;
    if ((double)cycle_time - on_for < least) on_for = (double)cycle_time;
    zone->on = (double)(now - zone->cycle_began) < on_for;
}

static void all_off(void) {
    for (int i = 0; i < zone_count; i++) {
        zones[i].on = false;
        zones[i].duty = 0;
    }
}

static void tick(int64_t now) {
    int64_t passed = now - last_tick;
    last_tick = now;
    for (int i = 0; i < zone_count; i++) if (zones[i].has_probe) look(&zones[i]);
    if (start_wanted) begin(now);
    if (resume && all_known() && !any_pending()) go_on(now);
    if (state != FIRING || stop) return;
    if (lid) {
        elapsed += passed;     /* the firing's time runs on */
        return;
    }
    for (int i = 0; i < zone_count; i++) if (zones[i].has_probe) guard(&zones[i], now);
    spread_ticks = hottest() - coolest() > SPREAD ? spread_ticks + 1 : 0;
    if (spread_ticks > SPREAD_TICKS) trip("zones too far apart");
    if (state == FIRING) follow(passed);
    for (int i = 0; state == FIRING && i < zone_count; i++) regulate(&zones[i], now);
}

static void hello(int message) {
    int list = get(message, "zones");
    for (int i = list + 1; list >= 0 && i < nodes[list].end && zone_count < MAX_ZONES; i = nodes[i].end) {
        Zone *zone = &zones[zone_count++];
        copy(zone->name, sizeof zone->name, get(i, "name"));
        memcpy(zone->relay, "element.", 9);
        strcat(zone->relay, zone->name);
        zone->has_probe = zone->pending = nodes[get(i, "probe_type")].kind == '"';
    }
    list = get(message, "relays");
    for (int i = list + 1; list >= 0 && i < nodes[list].end; i = nodes[i].end) {
        has_contactor |= is(i, "safety");
        for (int z = 0; z < zone_count; z++) zones[z].has_relay |= is(i, zones[z].relay);
    }
    int declares = get(message, "declares");
    top = number(get(declares, "top_celsius"));
    longest = whole(get(declares, "longest_firing_us"));
    cycle_time = whole(get(declares, "cycle_us"));
    if (cycle_time < 4 * SECOND) cycle_time = 4 * SECOND;
    int store = get(message, "store");
    if (store >= 0 && nodes[store].kind == '"') {
        char kept[4096];
        copy(kept, sizeof kept, store);
        wake_from(kept);
    }
}

static void console(int lines, int64_t now) {
    for (int i = lines + 1; lines >= 0 && i < nodes[lines].end; i = nodes[i].end) {
        char line[1024];
        copy(line, sizeof line, i);
        if (strncmp(line, "program ", 8) == 0) {
            bool taken = state != FIRING && !resume && take_program(line + 8);
            say(taken ? "program stored" : "program refused");
            changed |= taken;
        } else if (strcmp(line, "start") == 0) {
            begin(now);
        } else if (strcmp(line, "stop") == 0 && (state == FIRING || resume)) {
            end_firing("stopped");
        } else if (strcmp(line, "acknowledge") == 0) {
            acknowledge();
        }
    }
}

static void call(int message) {
    int64_t now = whole(get(message, "at"));
    int list = get(message, "readings");
    for (int i = list + 1; list >= 0 && i < nodes[list].end; i = nodes[i].end) {
        for (int z = 0; z < zone_count; z++) {
            if (!is(get(i, "zone"), zones[z].name)) continue;
            int fault = get(i, "fault");
            zones[z].pending = is(fault, "pending");
            zones[z].faulty = fault >= 0;
            if (fault < 0) zones[z].sample = number(get(i, "celsius"));
        }
    }
    int contacts = get(message, "contacts");
    bool start = truth(get(contacts, "start"));
    lid = truth(get(contacts, "lid"));
    stop = truth(get(contacts, "stop"));
    if (stop && (state == FIRING || resume)) end_firing("stopped");
    if (start && !start_was) begin(now);
    start_was = start;
    if (truth(get(contacts, "acknowledge"))) acknowledge();
    console(get(message, "console"), now);
    if (now - last_tick >= TICK || now == 0) tick(now);

    bool heat = state == FIRING && !lid && !stop;
    if (!heat) all_off();
    /* The contactor leads the elements, and trails them. */
    if (heat && contactor_since < 0) contactor_since = now;
    if (heat) elements_off_since = -1;
    else if (contactor_since >= 0 && elements_off_since < 0) elements_off_since = now;
    bool trails = !heat && contactor_since >= 0 && now - elements_off_since < 60000;
    if (!heat && !trails) contactor_since = -1;
    bool may_heat = heat && (!has_contactor || now - contactor_since >= CONTACTOR_LEAD);
    int64_t wake = trails ? elements_off_since + 60000 : last_tick + TICK;
    if (wake <= now) wake = now + TICK;

    printf("{\"answer\":{\"at\":%lld,\"wake_at\":%lld,\"relays\":{", (long long)now, (long long)wake);
    const char *comma = "";
    if (has_contactor) {
        printf("\"safety\":%s", heat || trails ? "true" : "false");
        comma = ",";
    }
    for (int i = 0; i < zone_count; i++) {
        if (!zones[i].has_relay) continue;
        printf("%s\"%s\":%s", comma, zones[i].relay, may_heat && zones[i].on ? "true" : "false");
        comma = ",";
    }
    printf("}");
    if (said[0]) printf(",\"console\":[%s]", said);
    static int64_t kept_at;
    if (changed || (state == FIRING && now - kept_at >= 10 * SECOND)) {
        char kept[2048];
        keep(kept, sizeof kept);
        printf(",\"store\":\"%s\"", kept);
        kept_at = now;
    }
    printf("}}\n");
    fflush(stdout);
    said[0] = 0;
    changed = false;
}

int main(int arguments, char **argument) {
    static char line[MAX_LINE];
    fault_time_in_a_byte = arguments == 3 && !strcmp(argument[1], "--mistake") && !strcmp(argument[2], "fault-time-in-a-byte");
    if (arguments != 1 && !fault_time_in_a_byte) {
        fprintf(stderr, "usage: controller [--mistake fault-time-in-a-byte]\n");
        return 2;
    }
    while (fgets(line, sizeof line, stdin)) {
        count = 0;
        if (parse(line) == NULL) {
            fprintf(stderr, "not understood: %.200s\n", line);
            return 1;
        }
        int message;
        if ((message = get(0, "hello")) >= 0) {
            if (whole(get(message, "protocol")) != 1) {
                fprintf(stderr, "speaks protocol 1 only\n");
                return 1;
            }
            hello(message);
            printf("{\"ready\":{\"protocol\":1,\"name\":\"controller.c\",\"firmware\":\"1.0.0\"}}\n");
            fflush(stdout);
        } else if ((message = get(0, "call")) >= 0) {
            call(message);
        } else {
            break;
        }
    }
    return 0;
}
