"""Forces and tangents of elements, eight neighbours at a time: one lane an element.

The mechanics are those of :mod:`simkit.shell.kernels` (degree 2, 2 x 2 Gauss points), the return
mapping of layers that yield included, in arithmetic on vectors of eight. The tangent is formed on
the five derivatives y = (x,1 x,2 x,11 x,22 x,12) first and then spread to the control points: with
N_I,a the derivatives of the shape functions,

    K_IJ = sum_ab N_I,a N_J,b M_ab.

Membrane strains are e_r = V_rd . y_d (d = 1, 2), bending strains k_r = G_ra (a3 . y_a), so that

    M_de = V_d' A V_e + n_de 1 + (S_de + m.b a^de) a3 a3,   S = G' D G,
    M_da = (V_d' B G_a) a3 + c_a a3 a^d,   M_ab = S_ab a3 a3   (a, b = 3, 4, 5),

and for a = 1, 2 the terms of M_da and of its transpose are added to M_de; c = (-mu_1, -mu_2, m11,
m22, m12) with mu_g = m_ab G^g_ab are the factors of the second variation of curvature.

Neighbours along v read neighbouring control points and data, so that everything is read in vectors.
Elements whose strain is beyond the series used for logarithms are only marked; the full kernel
does them.

All arithmetic on vectors is put into one compiled function, so that a fresh compilation and one
read back from disk give the same bits; what is compiled apart only copies. What goes into it works
on addresses, not arrays: counting the references of arrays in the innermost loops (atomically, 18
times a layer) once took longer than all the mechanics.
"""
