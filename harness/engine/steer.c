/* SPDX-License-Identifier: GPL-3.0-or-later
   Steers ngspice from its own callbacks: the compiled twin of harness/engine/stepper.py and callbacks.py.

   A plain shared library: it needs neither Python nor ngspice to be built. Every double operation stands in
   the order of the Python twin, so both take the same steps and give the same figures, bit for bit. */

#define _POSIX_C_SOURCE 199309L /* clock_gettime */

#include <float.h>
#include <math.h>
#include <stdbool.h>
#include <string.h>
#include <time.h>

#include "steer.h"

#if FLT_EVAL_METHOD != 0
#error "double operations would be carried out with more digits than in Python"
#endif

#define NOTHING 1e-100 /* of a gap: what is left of a node at rest changes its sign by rounding alone */
enum { DEPTH = 64, MOST_STALLS = 12, LOOK_AT_CLOCK = 256 };

static transient_run run; /* there is one ngspice in a process, and it runs one analysis at a time */

transient_run *steer_run(void) { return &run; }

double steer_clock(void) {
    struct timespec moment;
    clock_gettime(CLOCK_MONOTONIC, &moment);
    return (double)moment.tv_sec + 1e-9 * (double)moment.tv_nsec;
}

/* Python's min and max: the first one unless the second is smaller or larger. */
static double least(double a, double b) { return b < a ? b : a; }
static double most(double a, double b) { return b > a ? b : a; }

/* ---- gaps ---- */

static double applied1(int operation, double a) {
    switch (operation) {
    case NEGATIVE: return -a;
    case OPPOSITE: return !a;
    case MAGNITUDE: return fabs(a);
    case ROOT: return sqrt(fabs(a));
    case EXPONENTIAL: return exp(a > 300.0 ? 300.0 : a);
    case LOGARITHM: return log(a ? fabs(a) : 1e-300);
    case SINE: return sin(a);
    case COSINE: return cos(a);
    case HYPERBOLIC_TANGENT: return tanh(a);
    case ARC_TANGENT: return atan(a);
    case UNIT_STEP: return a > 0;
    case CLIPPED: return a < 0 ? 0.0 : a > 1 ? 1.0 : a;
    case RECTIFIED: return a < 0 ? 0.0 : a;
    case SIGN: return (a > 0) - (a < 0);
    }
    return NAN;
}

static double applied2(int operation, double a, double b) {
    switch (operation) {
    case ADD: return a + b;
    case SUBTRACT: return a - b;
    case MULTIPLY: return a * b;
    case DIVIDE: return a / b;
    case POWER: return pow(fabs(a), b);
    case SIGNED_POWER: return copysign(pow(fabs(a), b), a);
    case LESS: return a < b;
    case GREATER: return a > b;
    case AT_MOST: return a <= b;
    case AT_LEAST: return a >= b;
    case EQUAL: return a == b;
    case UNEQUAL: return a != b;
    case BOTH: return a && b;
    case EITHER: return a || b;
    case MINIMUM: return least(a, b);
    case MAXIMUM: return most(a, b);
    }
    return NAN;
}

/* Runs one program and leaves `*program` behind its END. Python has checked that the stack is deep enough. */
static double value(const int **program, const double *constants, const double *row) {
    double stack[DEPTH];
    int count = 0;
    const int *step = *program;
    for (; *step != END; step++) {
        if (*step == COLUMN)
            stack[count++] = row[*++step];
        else if (*step == CONSTANT)
            stack[count++] = constants[*++step];
        else if (*step == CHOICE) {
            count -= 2;
            stack[count - 1] = stack[count - 1] ? stack[count] : stack[count + 1];
        } else if (*step == NEGATIVE || *step == OPPOSITE || *step >= MAGNITUDE)
            stack[count - 1] = applied1(*step, stack[count - 1]);
        else {
            count--;
            stack[count - 1] = applied2(*step, stack[count - 1], stack[count]);
        }
    }
    *program = step + 1;
    return stack[0];
}

double steer_value(const int *program, const double *constants, const double *row) {
    return value(&program, constants, row);
}

/* ---- one accepted point ---- */

static void ask(point_values *data, int question) {
    if (run.ask(data, question)) run.stopped = 1;
}

static bool read_gaps(stepper *s, point_values *data) {
    const int *program = s->code;
    for (int i = 0; i < s->columns; i++) s->x[i] = data->vecsa[s->column[i]]->creal;
    for (int j = 0; j < s->gaps; j++) {
        double gap = value(&program, s->constants, s->x);
        s->gap[j] = fabs(gap) < NOTHING ? 0.0 : gap;
    }
    for (int j = 0; j < s->gaps; j++)
        if (!isfinite(s->gap[j])) {
            s->bad = j;
            return false;
        }
    return true;
}

static bool changed_sign(double old, double new) { return (old < 0) != (new < 0); }

static bool fired(stepper *s) {
    bool any = false;
    for (int j = 0; j < s->hard; j++)
        if (changed_sign(s->old[j], s->gap[j]) && s->direction[j] * (s->gap[j] - s->old[j]) >= 0) {
            any = true;
            s->floors[j] = s->fine;
            s->stalls[j] = 0;
        }
    return any;
}

/* The smallest positive root of y + tangent t + curve t^2, or infinity. */
static double first_root(double curve, double tangent, double y) {
    double root = tangent * tangent - 4 * curve * y;
    if (root < 0) return INFINITY;
    double q = -0.5 * (tangent + copysign(sqrt(root), tangent));
    double one = curve ? q / curve : -1.0, other = q ? y / q : -1.0, first = INFINITY;
    if (one > 0) first = one;
    if (other > 0 && other < first) first = other;
    return first;
}

/* The step that lands just before a crossing `left` away, or steps over it with the crossing in the middle. */
static double landing(stepper *s, int j, double left, double doubt) {
    double floor = s->floors[j];
    if (left > 0.9 * floor) return most(0.4 * floor, left - most(0.5 * floor, doubt));
    s->stalls[j]++;
    if (s->stalls[j] > MOST_STALLS) { /* it hovers near its level: do not starve */
        s->floors[j] *= 2;
        s->stalls[j] = 0;
    }
    return most(2 * left, 0.5 * floor);
}

static void remember_nodes(stepper *s, point_values *data) {
    s->near_time = s->now;
    for (int i = 0; i < s->nodes; i++) s->near[i] = data->vecsa[s->node[i]]->creal;
}

/* The longest next step: growth since the last event, and no step past a crossing of any gap. */
static double next_bound(stepper *s, point_values *data) {
    double step = s->now - s->before;
    double bound = least(least(s->longest, 4 * step), most(s->least_growth, s->growth * (s->now - s->event)));
    double reach = least(2.02 * step, s->longest); /* the engine at most doubles its step */
    for (int j = 0; j < s->gaps; j++) {
        double y = s->gap[j];
        if (s->direction[j] * y > 0) continue; /* on the far side of a one-way level */
        double slope = (y - s->old[j]) / step;
        double left = slope * y < 0 ? -y / slope : INFINITY;
        double doubt = 0.3 * left;
        if (s->history > 1) {
            double before = (s->old[j] - s->older[j]) / (s->before - s->before_that);
            double curve = (slope - before) / (s->now - s->before_that);
            double tangent = slope + curve * step;
            if (left > 2 * reach && (y + reach * (tangent + curve * reach)) * y > 0) continue;
            double bent = first_root(curve, tangent, y);
            if (bent < INFINITY) {
                doubt = 0.3 * (left < INFINITY ? fabs(bent - left) : bent);
                left = bent;
            }
        }
        if (left == INFINITY) continue;
        if (j == s->hard && left < 2 * reach) remember_nodes(s, data);
        bound = least(bound, landing(s, j, left, least(doubt, 0.4 * left)));
    }
    return bound;
}

/* This point becomes the last one of a history of `points`. */
static void keep(stepper *s, int points) {
    double *spare = s->older;
    s->older = s->old;
    s->old = s->gap;
    s->gap = spare;
    s->before_that = s->before;
    s->before = s->now;
    s->history = points;
}

static void steer(stepper *s, point_values *data) {
    s->points++;
    if (s->points == 1) ask(data, FIRST_POINT);
    if (run.stopped) return;
    if (!read_gaps(s, data)) {
        ask(data, NO_VALUE);
        return;
    }
    s->now = s->x[0];
    if (s->history == 0 || s->now <= s->before) {
        if (s->history == 0) keep(s, 1);
        return;
    }
    if (s->old[s->hard] < 0 && s->gap[s->hard] >= 0) {
        s->near_known = s->near_time == s->before;
        ask(data, MARKER);
        if (run.stopped) return;
    }
    if (fired(s)) {
        s->events++;
        s->event = s->now;
        keep(s, 1); /* a fresh start: no looking across the event */
        run.bound = s->fine;
        return;
    }
    run.bound = next_bound(s, data);
    keep(s, 2);
    if (s->now > s->late) ask(data, LATE);
}

/* ---- what ngspice calls ---- */

/* SendData: an accepted point. */
int steer_data(point_values *data, int count, int ident, void *user) {
    (void)count, (void)ident, (void)user;
    if (!run.on || run.stopped) return 0;
    double begin = steer_clock();
    run.points++;
    if (run.steered)
        steer(run.steered, data);
    else if (run.each)
        ask(data, EACH_POINT);
    if (!run.stopped && run.points % LOOK_AT_CLOCK == 0 && begin > run.wake) ask(data, CLOCK);
    run.seconds += steer_clock() - begin;
    return 0;
}

/* GetSyncData: limits the next step, and takes what is left before the end in one step. See callbacks.py. */
int steer_sync(double now, double *step, double last, int redo, int ident, int location, void *user) {
    (void)last, (void)ident, (void)user;
    if (!run.on) return 0;
    double begin = steer_clock(), left = run.end - now, asked = *step;
    if (location == 1 && !redo)
        run.wanted = asked;
    else if (location == 0 && left > 0) {
        if (asked > 0.999 * left || (run.wanted >= left && fabs(asked - 0.5 * left) < 1e-6 * left)) *step = left;
        if (*step > run.bound) *step = run.bound;
    }
    if ((location == 0 || redo) && left > 0) { /* an engine that goes on from here knows its own end */
        if (*step > 0.999 * left) *step = left;
        if (now + *step > run.end) *step = most(*step - run.ulp, 0.5 * left);
    }
    run.seconds += steer_clock() - begin;
    return 0;
}
