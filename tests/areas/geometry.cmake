# Rotations, lenses, canvases and pyramid sizes, against PROJ and OpenCV (used in tests only).
pkg_check_modules(PROJ REQUIRED IMPORTED_TARGET proj)
# Debian's packages of single OpenCV modules bring no CMake or pkg-config file.
find_path(OPENCV_INCLUDE_DIR opencv2/calib3d.hpp PATH_SUFFIXES opencv4 REQUIRED)
find_library(OPENCV_CORE_LIBRARY opencv_core REQUIRED)
find_library(OPENCV_CALIB3D_LIBRARY opencv_calib3d REQUIRED)

broadloom_test(rotation_test unit/rotation_test.cpp LINK bl_scene PkgConfig::PROJ)
broadloom_test(camera_test unit/camera_test.cpp LINK bl_scene
  ${OPENCV_CALIB3D_LIBRARY} ${OPENCV_CORE_LIBRARY})
# As a system folder: OpenCV's headers are not clean under our warnings.
target_include_directories(camera_test SYSTEM PRIVATE ${OPENCV_INCLUDE_DIR})
broadloom_test(photometry_test unit/photometry_test.cpp LINK bl_scene)
broadloom_test(canvas_test unit/canvas_test.cpp LINK bl_canvas PkgConfig::PROJ)
broadloom_test(canvas_automatic_test unit/canvas_automatic_test.cpp LINK bl_canvas)
broadloom_test(pyramid_shape_test unit/pyramid_shape_test.cpp LINK bl_pyramid)
