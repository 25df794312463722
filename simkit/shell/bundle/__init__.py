"""Forces and tangents of eight neighbouring elements at a time; each lane of a vector is one.

A bundle is eight elements that follow each other along v. The mechanics are those of
:mod:`simkit.shell.kernels` (degree 2, 2 x 2 Gauss points), including the return mapping of layers
that yield, written for vectors of eight floats. The tangent is first formed for the five
derivatives y = (x,1 x,2 x,11 x,22 x,12) and then distributed to the control points: with N_I,a the
derivatives of the shape functions,

    K_IJ = sum_ab N_I,a N_J,b M_ab.

Membrane strains are e_r = V_rd . y_d (d = 1, 2), bending strains k_r = G_ra (a3 . y_a), so that

    M_de = V_d' A V_e + n_de 1 + (S_de + m.b a^de) a3 a3,   S = G' D G,
    M_da = (V_d' B G_a) a3 + c_a a3 a^d,   M_ab = S_ab a3 a3   (a, b = 3, 4, 5),

and for a = 1, 2 the terms of M_da and of its transpose are added to M_de; c = (-mu_1, -mu_2, m11,
m22, m12) with mu_g = m_ab G^g_ab are the factors of the second variation of curvature.

Neighbours along v use neighbouring control points and data, so that everything is read in vectors.
Elements whose strain is outside the range of the series used for logarithms are only marked here;
:mod:`simkit.shell.kernels` then computes them.

All vector arithmetic is inlined into one compiled function, so that a new compilation and one
read from the disk cache give the same bits; functions compiled separately only copy data. The
inlined functions take addresses instead of arrays: numba counts the references of arrays atomically
(18 times a layer), and in the innermost loops this once took longer than all the mechanics.
"""
