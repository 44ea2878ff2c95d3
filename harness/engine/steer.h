/* SPDX-License-Identifier: GPL-3.0-or-later
   What steer.c and Python share. Read by the C compiler and by cffi alike: declarations only. */

/* One saved vector at one accepted point, and all of them, as ngspice hands them to its SendData callback. */
typedef struct {
    char *name;
    double creal, cimag;
    bool is_scale, is_complex;
} vector_value;

typedef struct {
    int veccount, vecindex;
    vector_value **vecsa;
} point_values;

/* Steps of a gap's program: what harness/engine/programs.py lists, in lower case there. */
enum operation {
    END, COLUMN, CONSTANT,
    ADD, SUBTRACT, MULTIPLY, DIVIDE, POWER, SIGNED_POWER, NEGATIVE,
    LESS, GREATER, AT_MOST, AT_LEAST, EQUAL, UNEQUAL, BOTH, EITHER, OPPOSITE, CHOICE,
    MINIMUM, MAXIMUM, MAGNITUDE, ROOT, EXPONENTIAL, LOGARITHM, SINE, COSINE, HYPERBOLIC_TANGENT, ARC_TANGENT,
    UNIT_STEP, CLIPPED, RECTIFIED, SIGN
};

/* Why Python is asked. It answers 1 to end the run, else 0. */
enum question { EACH_POINT, FIRST_POINT, MARKER, NO_VALUE, LATE, CLOCK };

/* A steered run. Arrays belong to Python; one entry a gap, a watched column, or a node. */
typedef struct {
    int gaps, hard, columns, nodes;     /* counts; gaps from `hard` on only are located, the first is the marker */
    const int *code;                    /* one program a gap, each closed by END */
    const double *constants;
    const int *direction;               /* of a gap: +1, -1, or 0 for both */
    const int *column, *node;           /* places in ngspice's vectors */
    double fine, longest, growth, least_growth, late;
    double *x, *gap, *old, *older, *floors, *near;
    int *stalls;
    int history;                        /* points known before this one: 0, 1, 2 */
    int bad;                            /* the gap that has no value */
    int near_known;                     /* at a marker crossing: `near` holds the nodes at `before` */
    long points, events;
    double now, before, before_that, event, near_time;
} stepper;

/* The transient run that is on, if any; all times in s. */
typedef struct {
    int on, stopped, each;              /* each: Python is asked at every point */
    long points;
    double end, ulp, wanted, bound;     /* where the run ends; the engine's wish; the longest next step */
    double seconds, wake;               /* spent in callbacks so far; clock at which Python is asked next */
    stepper *steered;
    int (*ask)(point_values *, int);
} transient_run;

transient_run *steer_run(void);
double steer_clock(void);
int steer_data(point_values *data, int count, int ident, void *user);
int steer_sync(double now, double *step, double last, int redo, int ident, int location, void *user);
double steer_value(const int *program, const double *constants, const double *row);
