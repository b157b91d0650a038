// Writes reference.csv: geodesics on WGS 84 to about 25 digits.
//
// The defining integrals of distance and longitude (Karney 2013, eqs. 7 and 8)
// and the area under the geodesic, the integral of the authalic function over
// longitude, are taken by Gauss-Legendre quadrature in quadruple precision:
// no series in the flattening and no code is shared with the package.
//
//	gcc -O2 reference.c -lquadmath -lm -o reference && ./reference > reference.csv
#include <quadmath.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>

typedef __float128 real;
#define N 24
static real node[N], weight[N], a, f, b, e2, ep2, deg;

static void legendre(void) {
	for (int i = 0; i < N; i++) {
		real x = cosq(M_PIq * (i + 0.75Q) / (N + 0.5Q)), d = 1;
		for (int k = 0; k < 100 && fabsq(d) > 1e-33Q; k++) {
			real p0 = 1, p1 = x;
			for (int n = 2; n <= N; n++) {
				real p = ((2 * n - 1) * x * p1 - (n - 1) * p0) / n;
				p0 = p1, p1 = p;
			}
			real dp = N * (x * p1 - p0) / (x * x - 1);
			d = p1 / dp;
			x -= d;
			weight[i] = 2 / ((1 - x * x) * dp * dp);
		}
		node[i] = x;
	}
}

typedef struct { real lat, az, s, sa0, ca0, sig1, omg1, k2; } line;
typedef struct { real lat, lon, az, sig12, area; } end;

static real dist(const line *l, real t) { // ds/dσ / b
	real s = sinq(t);
	return sqrtq(1 + l->k2 * s * s);
}
static real dlon(const line *l, real t) { // (ω - λ)' / (f sin α0)
	return (2 - f) / (1 + (1 - f) * dist(l, t));
}
static real darea(const line *l, real t) { // authalic function × dλ/dσ
	real sb = l->ca0 * sinq(t), e = sqrtq(e2);
	real sp = sb / sqrtq((1 - f) * (1 - f) + e2 * sb * sb); // sin φ
	real q = b * b / 2 * (sp / (1 - e2 * sp * sp) + atanhq(e * sp) / e);
	return q * (l->sa0 / (1 - sb * sb) - f * l->sa0 * dlon(l, t));
}
static real integral(real (*g)(const line *, real), const line *l, real from, real to, int panels) {
	real sum = 0, h = (to - from) / panels / 2;
	for (int i = 0; i < panels; i++)
		for (int j = 0; j < N; j++)
			sum += weight[j] * g(l, from + h * (2 * i + 1 + node[j]));
	return sum * h;
}

static end direct(real lat, real az, real s, int area) {
	line l = {lat, az, s};
	real tb = (1 - f) * tanq(lat * deg), cb = 1 / sqrtq(1 + tb * tb), sb = tb * cb;
	real sa = sinq(az * deg), ca = cosq(az * deg);
	l.sa0 = sa * cb;
	l.ca0 = sqrtq(ca * ca + sa * sa * sb * sb);
	l.sig1 = atan2q(sb, ca * cb);
	l.omg1 = atan2q(l.sa0 * sb, ca * cb);
	l.k2 = ep2 * l.ca0 * l.ca0;
	real x = s / b;
	for (int i = 0; i < 40; i++) {
		real d = (integral(dist, &l, l.sig1, l.sig1 + x, 4) - s / b) / dist(&l, l.sig1 + x);
		x -= d;
		if (fabsq(d) < 1e-32Q) break;
	}
	real t = l.sig1 + x, sb2 = l.ca0 * sinq(t), cb2 = hypotq(l.sa0, l.ca0 * cosq(t));
	real omg = atan2q(l.sa0 * sinq(t), cosq(t)) - l.omg1;
	if (omg < -1e-3Q) omg += 2 * M_PIq; // east-going by less than a turn
	end r;
	r.sig12 = x;
	r.lat = atanq(sb2 / cb2 / (1 - f)) / deg;
	r.lon = (omg - f * l.sa0 * integral(dlon, &l, l.sig1, t, 4)) / deg;
	r.az = atan2q(l.sa0, l.ca0 * cosq(t)) / deg;
	r.area = area ? integral(darea, &l, l.sig1, t, 160) : 0;
	return r;
}

static uint64_t state = 20130101;
static double rnd(void) { // splitmix64
	uint64_t z = (state += 0x9e3779b97f4a7c15);
	z = (z ^ (z >> 30)) * 0xbf58476d1ce4e5b9;
	z = (z ^ (z >> 27)) * 0x94d049bb133111eb;
	return ((z ^ (z >> 31)) >> 11) * 0x1p-53;
}

static void row(const char *kind, double lat1, double az0, double s0) {
	real az = az0, s = s0;
	end r = direct(lat1, az, s, 0);
	if (r.sig12 > M_PIq * 0.99999999Q) return; // past the cut, not the shortest
	// The far end as a double, and the exact azimuth and distance to it.
	double lat2 = (double)r.lat, lon2 = (double)r.lon;
	for (int i = 0; i < 30; i++) {
		real ha = 1e-12Q, hs = 1e-6Q;
		r = direct(lat1, az, s, 0);
		end ra = direct(lat1, az + ha, s, 0), rs = direct(lat1, az, s + hs, 0);
		real A = (ra.lat - r.lat) / ha, B = (rs.lat - r.lat) / hs, C = (ra.lon - r.lon) / ha, D = (rs.lon - r.lon) / hs;
		real u = lat2 - r.lat, v = lon2 - r.lon, det = A * D - B * C;
		if (fabsq(u) + fabsq(v) < 1e-28Q) break;
		az += (u * D - v * B) / det;
		s += (A * v - C * u) / det;
	}
	r = direct(lat1, az, s, 1);
	if (fabsq(lat2 - r.lat) + fabsq(lon2 - r.lon) > 1e-25Q) return;
	char t[4][64];
	real out[4] = {az, r.az, s, r.area};
	for (int i = 0; i < 4; i++) quadmath_snprintf(t[i], 64, i == 3 ? "%.6Qf" : "%.20Qf", out[i]);
	printf("%s,%.17g,%.17g,%.17g,%s,%s,%s,%s\n", kind, lat1, lat2, lon2, t[0], t[1], t[2], t[3]);
}

int main(void) {
	a = 6378137;
	f = 1000000000 / (real)298257223563LL;
	b = a * (1 - f);
	e2 = f * (2 - f);
	ep2 = e2 / (1 - e2);
	deg = M_PIq / 180;
	legendre();
	printf("kind,lat1,lat2,lon12,az1,az2,s12_m,area_m2\n");
	for (int i = 0; i < 60; i++) {
		row("stake", rnd() * 178 - 89, 3 + 174 * rnd(), 0.3 + rnd() * 30);
		row("site", rnd() * 178 - 89, 3 + 174 * rnd(), 30 + rnd() * 600);
		row("region", rnd() * 178 - 89, 3 + 174 * rnd(), 1e3 + rnd() * 3e5);
		row("globe", rnd() * 178 - 89, 3 + 174 * rnd(), 1e6 + rnd() * 18e6);
		row("antipodal", rnd() * 178 - 89, 3 + 174 * rnd(), 19.9e6 + rnd() * 1.0e5);
		row("polar", 89.99 + rnd() * 0.00999, 3 + 174 * rnd(), 1 + rnd() * 3000);
		row("equator", (rnd() - 0.5) * 1e-3, 85 + 10 * rnd(), 1 + rnd() * 19.8e6);
		row("flat", rnd() * 160 - 80, 89.9 + 0.2 * rnd(), 10 + rnd() * 1e5);
	}
	return 0;
}
