broadloom_test(kernels_test unit/kernels_test.cpp LINK bl_image bl_scene)
