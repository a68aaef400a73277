// SPDX-License-Identifier: Apache-2.0
/* The cure law by SUNDIALS CVODE, by fixed Runge-Kutta steps and as a bare sum
 * of one exponential a reading, for comparison with the product's integrator.
 *
 * Reads from standard input: A1 A2 E1 E2 m n Tg0 Tginf lambda D W kappa, then
 * the number of readings and their temperatures in C, one a minute.
 *
 * usage: cvode tight                    prints alpha at each hour, to 1e-11 and
 *                                       with no step over a kink of temperature
 *        cvode check adams|bdf RTOL HMAX    prints alpha at each hour
 *        cvode time  adams|bdf RTOL HMAX N  prints alpha at the end and the ns of
 *                                           the quickest of N runs
 *        cvode time  rk4|exp 0 0 N
 *
 * HMAX is the largest step in s, 0 for none.
 */
#include <cvode/cvode.h>
#include <math.h>
#include <nvector/nvector_serial.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sundials/sundials_context.h>
#include <sunlinsol/sunlinsol_dense.h>
#include <sunmatrix/sunmatrix_dense.h>
#include <sunnonlinsol/sunnonlinsol_fixedpoint.h>
#include <time.h>

#define R 8.31446261815324

static double A1, A2, E1, E2, m, n, tg0, tginf, lam, D, W, kappa;
static double *temp;
static int readings;

static double power(double x, double p) {
  return p == 1 ? x : p == 2 ? x * x : pow(x, p);
}

static double law(double a, double c) {
  double T = c + 273.15;
  double k1 = A1 * exp(-E1 / (R * T));
  double k2 = E1 == E2 ? k1 * (A2 / A1) : A2 * exp(-E2 / (R * T));
  double tg = tg0 + (tginf - tg0) * lam * a / (1 - (1 - lam) * a);
  double fd = 1 / (1 + exp((tg - c - D) / W));
  return fd * kappa * (k1 + k2 * power(a, m)) * power(1 - a, n);
}

static double at(double t) {
  double x = t / 60;
  int i = (int)x;
  if (i > readings - 2) i = readings - 2;
  return temp[i] + (temp[i + 1] - temp[i]) * (x - i);
}

static int rhs(realtype t, N_Vector y, N_Vector dy, void *user) {
  (void)user;
  NV_Ith_S(dy, 0) = law(NV_Ith_S(y, 0), at(t));
  return 0;
}

static double seconds(void) {
  struct timespec ts;
  clock_gettime(CLOCK_MONOTONIC, &ts);
  return ts.tv_sec + 1e-9 * ts.tv_nsec;
}

static double rk4(void) {
  double a = 0, h = 60;
  for (int i = 0; i + 1 < readings; i++) {
    double c0 = temp[i], c1 = temp[i + 1], cm = (c0 + c1) / 2;
    double f1 = law(a, c0), f2 = law(a + h / 2 * f1, cm);
    double f3 = law(a + h / 2 * f2, cm), f4 = law(a + h * f3, c1);
    a += h / 6 * (f1 + 2 * f2 + 2 * f3 + f4);
  }
  return a;
}

static double onlyexp(void) {
  double s = 0;
  for (int i = 0; i < readings; i++) s += exp(-E2 / (R * (temp[i] + 273.15)));
  return s;
}

int main(int argc, char **argv) {
  int tight = argc > 1 && !strcmp(argv[1], "tight");
  if (!tight && argc < 5) return 2;
  if (scanf("%lf %lf %lf %lf %lf %lf %lf %lf %lf %lf %lf %lf %d", &A1, &A2, &E1,
            &E2, &m, &n, &tg0, &tginf, &lam, &D, &W, &kappa, &readings) != 13)
    return 2;
  temp = malloc(readings * sizeof *temp);
  for (int i = 0; i < readings; i++)
    if (scanf("%lf", &temp[i]) != 1) return 2;
  double end = 60.0 * (readings - 1);
  int check = tight || !strcmp(argv[1], "check");
  int runs = check ? 1 : atoi(argv[5]);

  if (!tight && (!strcmp(argv[2], "rk4") || !strcmp(argv[2], "exp"))) {
    double (*f)(void) = argv[2][0] == 'r' ? rk4 : onlyexp;
    volatile double out = f();
    double best = INFINITY;
    for (int i = 0; i < runs; i++) {
      double t0 = seconds();
      for (int j = 0; j < 8; j++) out = f();
      best = fmin(best, (seconds() - t0) / 8);
    }
    printf("%.17g %.17g\n", out, best * 1e9);
    return 0;
  }

  int adams = tight || !strcmp(argv[2], "adams");
  double rtol = tight ? 1e-11 : atof(argv[3]);
  SUNContext ctx;
  if (SUNContext_Create(NULL, &ctx)) return 1;
  N_Vector y = N_VNew_Serial(1, ctx);
  NV_Ith_S(y, 0) = 0;
  void *cv = CVodeCreate(adams ? CV_ADAMS : CV_BDF, ctx);
  if (CVodeInit(cv, rhs, 0, y)) return 1;
  if (CVodeSStolerances(cv, rtol, rtol)) return 1;
  if (adams) {
    /* Functional iteration: no matrix for one mild equation. */
    SUNNonlinearSolver nls = SUNNonlinSol_FixedPoint(y, 0, ctx);
    if (CVodeSetNonlinearSolver(cv, nls)) return 1;
  } else {
    SUNMatrix M = SUNDenseMatrix(1, 1, ctx);
    if (CVodeSetLinearSolver(cv, SUNLinSol_Dense(y, M, ctx), M)) return 1;
  }
  CVodeSetMaxNumSteps(cv, 1000000);
  CVodeSetStopTime(cv, end);
  double hmax = tight ? 30 : atof(argv[4]);
  if (hmax > 0) CVodeSetMaxStep(cv, hmax);

  realtype t = 0;
  if (check) {
    for (int h = 1; h * 3600.0 <= end + 1; h++) {
      CVodeSetStopTime(cv, end);
      if (CVode(cv, h * 3600.0, y, &t, CV_NORMAL) < 0) return 1;
      printf("%.17g ", NV_Ith_S(y, 0));
    }
    printf("\n");
    return 0;
  }
  double best = INFINITY;
  for (int i = -1; i < runs; i++) { /* one to warm up */
    NV_Ith_S(y, 0) = 0;
    CVodeReInit(cv, 0, y);
    CVodeSetStopTime(cv, end);
    double t0 = seconds();
    if (CVode(cv, end, y, &t, CV_NORMAL) < 0) return 1;
    if (i >= 0) best = fmin(best, seconds() - t0);
  }
  printf("%.17g %.17g\n", NV_Ith_S(y, 0), best * 1e9);
  return 0;
}
